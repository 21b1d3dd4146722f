"""A licence stands in the image only where the file allows it; what is not known does not."""

from typing import Any

import pytest

pytest.importorskip("license_expression", reason="install the extra `supply` first")

from tests.unit.supply.licences import load_rules, refused

RULES: dict[str, Any] = {
    "allowed": {"MIT": "", "BSD-3-Clause": ""},
    "spelt": {"MIT License": "MIT", "Mozilla": "MPL-2.0"},
    "exception": [],
}
EXCEPTION = {"package": "one-thing", "licence": "MPL-2.0", "reason": "a test"}


def report(licence: str, name: str = "One.Thing") -> list[dict[str, str]]:
    return [{"Name": name, "Version": "1.0", "License": licence}]


@pytest.mark.parametrize(
    "licence",
    [
        "MIT",
        "MIT License",
        "MIT License; BSD-3-Clause",
        "MIT AND BSD-3-Clause",
        "MIT OR GPL-3.0-only",
        "BSD-3-Clause AND (GPL-3.0-only OR MIT)",
    ],
)
def test_what_can_be_kept_by_allowed_licences_may_stand(licence: str) -> None:
    assert refused(report(licence), RULES) == []


@pytest.mark.parametrize(
    ("licence", "why"),
    [
        ("UNKNOWN", "no licence that is known"),
        ("", "not allowed"),
        ("Proprietary", "no licence that is known"),
        ("MIT OR", "no licence that is known"),
        ("GPL-3.0-only", "not allowed"),
        ("MIT AND GPL-3.0-only", "not allowed"),
        ("MIT License; GPL-3.0-only", "not allowed"),
        ("GPL-3.0-or-later WITH GCC-exception-3.1", "not allowed"),
        ("Mozilla", "not allowed"),
    ],
)
def test_what_is_unknown_or_not_allowed_is_refused(licence: str, why: str) -> None:
    (fault,) = refused(report(licence), RULES)
    assert fault.startswith("one-thing 1.0: ")
    assert why in fault


def test_an_exception_is_for_one_package_and_one_licence() -> None:
    rules = {**RULES, "exception": [EXCEPTION]}
    assert refused(report("Mozilla"), rules) == []
    assert refused(report("MPL-2.0 AND (GPL-3.0-only OR MIT)"), rules) == []
    other = refused(report("Mozilla", name="another"), rules)
    assert [fault.split(":")[0] for fault in other] == ["another 1.0", "one-thing"]
    assert refused(report("GPL-3.0-only"), rules)[0].startswith("one-thing 1.0: not allowed")


def test_an_exception_that_nothing_needs_is_refused() -> None:
    rules = {**RULES, "exception": [EXCEPTION]}
    assert refused(report("MIT"), rules) == ["one-thing: needs no exception for MPL-2.0"]


def test_the_files_own_rules_say_why() -> None:
    rules = load_rules()
    assert all(rules["allowed"].values())
    assert all(one["reason"] for one in rules["exception"])
    assert refused(report("AGPL-3.0-only"), {**rules, "exception": []})
