"""A number that a clinic sets reaches orders, patient-view and the night alike."""

import json
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from tests.unit.nightly.exports import found, run, write

from crossgrain.app.factory import create_app
from crossgrain.catalogue import load_catalogue
from crossgrain.http.settings import Settings

from .conftest import STOPPED
from .hooks import ORDER, REVIEW, call, levothyroxine, patient

SWITCHED = "15-switched-at-half-the-dose.json"
ON_GRAINS = "02-desiccated-120.json"
STRICTER = '[numbers.ratio]\nunder = "0.9"\n'


def parked_at(mg: int) -> list[dict[str, Any]]:
    """The patient who was moved from LT4 100 µg, now at another dose of desiccated thyroid."""
    resources = patient(SWITCHED)
    (now,) = (r for r in resources if r["id"] == "p15-medication-2")
    now["dosage"][0]["text"] = f"{mg} mg once daily"
    now["dosage"][0]["doseAndRate"][0]["doseQuantity"]["value"] = mg
    return resources


@pytest.fixture(params=["", STRICTER], ids=["as shipped", "stricter"])
def clinic(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "clinic.toml"
    path.write_text(request.param)
    return path


def said_at_each_door(clinic: Path, tmp_path: Path) -> dict[str, bool]:
    """Door → whether it calls a change to 88 % of the dose before under-dosed."""
    app = create_app(Settings(), load_catalogue(clinic), clock=lambda: STOPPED)
    with TestClient(app) as client:
        order = client.post(ORDER, json=call(ON_GRAINS, [levothyroxine(88, "p02")])).json()["cards"]
        viewed = call(SWITCHED, [], "patient-view")
        for entry in viewed["prefetch"]["medicationStatements"]["entry"]:
            (entry["resource"],) = (r for r in parked_at(105) if r["id"] == entry["resource"]["id"])
        view = client.post(REVIEW, json=viewed).json()["cards"]
    export = write(tmp_path / "export", parked_at(105))
    run(export, tmp_path / "out", chart=clinic)
    flags = {code for those in found(tmp_path / "out").values() for code, _ in those}
    return {
        "orders": "under-dosed switch" in json.dumps(order),
        "patient-view": "Dose too low after a switch" in json.dumps(view),
        "night": "under-dosed-switch" in flags,
    }


def test_one_line_in_a_clinics_file_changes_all_three_doors(clinic: Path, tmp_path: Path) -> None:
    # On `practice`, one grain as 50 µg, desiccated thyroid 120 mg to LT4 88 µg is 0.88, and LT4
    # 100 µg to desiccated 105 mg is 0.875: above 0.8, the service's own judgement, below 0.9.
    said = said_at_each_door(clinic, tmp_path)
    assert set(said.values()) == {clinic.read_text() == STRICTER}, said
