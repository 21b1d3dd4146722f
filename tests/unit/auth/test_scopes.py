"""Which scope covers which need."""

import pytest

from crossgrain.auth.guard import PROPOSING, READING, Need, allow, need_of


@pytest.mark.parametrize(
    ("scope", "proposing", "reading"),
    [
        ("user/MedicationRequest.c", True, False),
        ("user/MedicationRequest.r", False, True),
        ("patient/MedicationRequest.cruds", True, True),
        ("system/*.cr", True, True),
        ("user/MedicationRequest.read", False, True),
        ("user/MedicationRequest.write", True, False),
        ("user/*.*", True, True),
        ("user/MedicationRequest.uds", False, False),
        ("user/MedicationRequest.", False, False),
        ("user/MedicationRequest.rc", False, False),  # SMART 2: the letters keep their order
        ("user/Patient.cruds", False, False),
        ("user/MedicationRequest", False, False),
        ("users/MedicationRequest.cruds", False, False),
        ("USER/MedicationRequest.cruds", False, False),
        (" user/MedicationRequest.cruds", False, False),
        ("user/MedicationRequest.cruds?category=x", False, False),
        ("user/medicationrequest.cruds", False, False),
    ],
)
def test_a_scope_covers_its_resource_and_what_may_be_done_with_it(
    *, scope: str, proposing: bool, reading: bool
) -> None:
    """SMART App Launch 2.2, scopes; version 1 beside it."""
    assert (allow([scope], PROPOSING), allow([scope], READING)) == (proposing, reading)


def test_one_scope_of_several_is_enough_and_none_is_none() -> None:
    assert allow(["openid", "user/MedicationRequest.c"], PROPOSING)
    assert not allow(["openid", "user/MedicationRequest.r"], PROPOSING)
    assert not allow([], READING)


@pytest.mark.parametrize(
    ("path", "need"),
    [
        ("/fhir/r4/$compare-bases", READING),
        ("/fhir/r5/$screen-switches", READING),
        ("/fhir/r4/$propose-switch", PROPOSING),
        ("/fhir/r4/PlanDefinition/regimen-switch/$apply", PROPOSING),
        ("/fhir/r4/$something-new", PROPOSING),
        ("/fhir/r4/$compare-bases/more", PROPOSING),
        ("$compare-bases", READING),
    ],
)
def test_an_operation_that_is_not_in_the_table_needs_the_most(path: str, need: Need) -> None:
    assert need_of(path) == need
