"""The licences of the image's packages, against ``docker/licences.toml``.

``pip-licenses --with-system --python PYTHON --format json | python -m tests.unit.supply.licences``
"""

import json
import sys
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from license_expression import ExpressionError, get_spdx_licensing
from packaging.utils import canonicalize_name
from tests.unit.supply.pins import DOCKER

_SPDX = get_spdx_licensing()


def load_rules() -> dict[str, Any]:
    """The rules as they stand in the file."""
    return tomllib.loads((DOCKER / "licences.toml").read_text("utf-8"))


def refused(report: Sequence[Mapping[str, str]], rules: Mapping[str, Any]) -> list[str]:
    """What may not stand in the image as reported, and the exceptions that nothing needs."""
    exceptions = {(one["package"], one["licence"]) for one in rules["exception"]}
    excepted: set[tuple[str, str]] = set()
    faults = []
    for package in report:
        name = canonicalize_name(package["Name"])
        of_package = {pair for pair in exceptions if pair[0] == name}
        granted = {licence for _, licence in of_package}
        if fault := _fault(package["License"], rules, granted):
            faults.append(f"{name} {package['Version']}: {fault}")
        elif _fault(package["License"], rules, set()):
            excepted |= of_package
    stale = sorted(exceptions - excepted)
    return faults + [f"{name}: needs no exception for {licence}" for name, licence in stale]


def _fault(said: str, rules: Mapping[str, Any], granted: set[str]) -> str:
    """Why what a package says does not do; empty if it does. Each of several must do."""
    allowed = set(rules["allowed"]) | granted
    for part in said.split("; "):
        try:
            expression = _SPDX.parse(rules["spelt"].get(part, part), validate=True)
        except ExpressionError:
            return f"no licence that is known: {part}"
        if expression is None or not _may(expression, allowed):
            return f"not allowed: {part}"
    return ""


def _may(expression: Any, allowed: set[str]) -> bool:
    """Whether an expression can be kept by allowed licences alone."""
    if isinstance(expression, _SPDX.AND):
        return all(_may(part, allowed) for part in expression.args)
    if isinstance(expression, _SPDX.OR):
        return any(_may(part, allowed) for part in expression.args)
    return str(expression) in allowed


def main() -> int:
    """Print each package's licence, then what is refused."""
    report = json.load(sys.stdin)
    for package in report:
        print(f"{package['Name']:42}{package['Version']:20}{package['License']}")
    faults = refused(report, load_rules()) if report else ["no package was reported"]
    print("\n".join(faults or [f"{len(report)} packages, every licence allowed"]))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
