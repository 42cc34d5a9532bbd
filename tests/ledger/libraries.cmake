target_link_libraries(ledger_tests PRIVATE PkgConfig::SQLITE)
