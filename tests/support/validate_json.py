"""Validates answers by the schemas: validate_json.py SCHEMA_FOLDER FILE...

A file holds one JSON document, or one a line. Each is validated by the schema that its key
`schema` names (starwaist/fit/1: fit.json). Prints a line for each document that is not valid;
exit status 1 where there is one.
"""
import json
import pathlib
import sys

import jsonschema


def documents(path):
    text = path.read_text(encoding="utf-8")
    try:
        return [json.loads(text)]
    except json.JSONDecodeError:
        return [json.loads(line) for line in text.splitlines() if line]


def main(folder, names):
    validators = {}
    for file in sorted(pathlib.Path(folder).glob("*.json")):
        schema = json.loads(file.read_text(encoding="utf-8"))
        jsonschema.Draft202012Validator.check_schema(schema)
        validators[f"starwaist/{file.stem}/1"] = jsonschema.Draft202012Validator(schema)
    invalid = 0
    for name in names:
        for number, document in enumerate(documents(pathlib.Path(name)), 1):
            validator = validators.get(document.get("schema"))
            if validator is None:
                print(f"{name}:{number}: no schema {document.get('schema')!r}")
                invalid += 1
                continue
            error = jsonschema.exceptions.best_match(validator.iter_errors(document))
            if error is not None:
                print(f"{name}:{number}: {error.json_path}: {error.message[:200]}")
                invalid += 1
    return 1 if invalid else 0


sys.exit(main(sys.argv[1], sys.argv[2:]))
