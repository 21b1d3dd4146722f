"""``python -m tests.golden``: renew the digests, or show what changed since a commit.

python -m tests.golden write
python -m tests.golden diff --base main --only 'hooks 0*'
"""

import argparse
import sys
import time
from fnmatch import fnmatch
from pathlib import Path

from tests.golden import stored
from tests.golden.difference import Report
from tests.golden.service import Question, Service, checked_out, digests_of, serving

HERE = Path(__file__).parents[2]
NAMED = 20


def write() -> int:
    """Keep the digests of this tree's answers, and say which changed."""
    started = time.monotonic()
    with serving(HERE) as service:
        found = digests_of(service)
    changed = stored.changed(stored.load(), found)
    stored.save(found)
    took = time.monotonic() - started
    print(f"{len(found)} answers in {took:.0f} s, of which {len(changed)} changed")
    return 0


def diff(base: str, only: str) -> int:
    """Ask the base and this tree the same, and show in what the answers differ."""
    report, kept = Report(), stored.load()
    stale = []
    with checked_out(base) as tree, serving(tree) as before, serving(HERE) as after:
        there, here = _named(before, only), _named(after, only)
        for name, question in here.items():
            answer = after.ask(question)
            if kept.get((question.surface, question.name)) != answer.digest:
                stale.append(name)
            if name in there:
                report.add(name, before.ask(there[name]), answer)
    print("\n".join(report.shown(gone=there.keys() - here, new=here.keys() - there)))
    if stale:  # the base may answer as this tree does, and the digests be older than both
        print(f"{len(stale)} kept digests are not of this tree: {', '.join(stale[:NAMED])}")
    return 1 if report.names or stale else 0


def _named(service: Service, only: str) -> dict[str, Question]:
    named = {f"{question.surface}: {question.name}": question for question in service.questions()}
    return {name: question for name, question in named.items() if fnmatch(name, only)}


def main() -> int:
    """Do what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.golden")
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("write", help="keep the digests of this tree's answers")
    compared = commands.add_parser("diff", help="show what changed since a commit")
    compared.add_argument("--base", default="HEAD", help="a commit; default: HEAD")
    compared.add_argument("--only", default="*", help="names of answers, such as 'hooks: 01*'")
    asked = parser.parse_args()
    return write() if asked.command == "write" else diff(asked.base, asked.only)


if __name__ == "__main__":
    sys.exit(main())
