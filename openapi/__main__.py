"""``python -m openapi`` writes ``openapi.json`` beside this file; ``--check`` only compares."""

import sys
from pathlib import Path

from openapi.document import document, written

FILE = Path(__file__).with_name("openapi.json")


def main(*arguments: str) -> int:
    """Write the document, or say whether it is the code's own."""
    text = written(document())
    if not arguments:
        FILE.write_text(text, "utf-8")
        return 0
    if arguments != ("--check",):
        print("python -m openapi [--check]", file=sys.stderr)
        return 1
    if FILE.read_text("utf-8") != text:
        print("openapi/openapi.json is not what the code says: python -m openapi", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
