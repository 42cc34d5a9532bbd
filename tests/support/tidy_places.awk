# Places in sources that tests/tidy.sh has joined, as places in the sources themselves: reads the
# joined file, whose parts begin with #line, then what was found; -v whole=PATH: is its name there.
FNR == NR {
  if (match($0, /^#line 1 "/)) {
    part = substr($0, RLENGTH + 1, length($0) - RLENGTH - 1)
    before = FNR
  }
  part_of[FNR] = part
  before_part[FNR] = before
  next
}
index($0, whole) == 1 {
  rest = substr($0, length(whole) + 1)
  line = rest + 0
  if (part_of[line] != "") {
    print part_of[line] ":" line - before_part[line] substr(rest, length(line) + 1)
    next
  }
}
{ print }
