"""The repo's layout, and what importing the pure rooms pulls in."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LAYOUT = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "service",
    "openapi",
    "tests",
    "docker",
    "fixtures",
}
FRAMEWORKS = ("fastapi", "starlette", "pydantic", "fhir", "msgspec", "orjson", "uvicorn", "rich")


def test_the_top_level_holds_exactly_what_the_layout_names() -> None:
    top = {path.name for path in ROOT.iterdir() if not path.name.startswith((".", "__"))}
    assert top == LAYOUT


@pytest.mark.parametrize("room", ["dosing", "safety"])
def test_a_pure_room_pulls_in_no_framework(room: str) -> None:
    importing = (
        "import importlib, pkgutil, sys\n"
        f"import crossgrain.{room} as room\n"
        "for found in pkgutil.walk_packages(room.__path__, room.__name__ + '.'):\n"
        "    importlib.import_module(found.name)\n"
        f"print([name for name in {FRAMEWORKS!r} if name in sys.modules])\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", importing], check=True, capture_output=True, text=True
    )
    assert ran.stdout.strip() == "[]"


def test_a_class_name_has_one_meaning_in_the_whole_package() -> None:
    where: dict[str, list[str]] = {}
    for source in (ROOT / "service" / "crossgrain").rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                where.setdefault(node.name, []).append(source.name)
    assert len(where) > 200
    assert {name: files for name, files in where.items() if len(files) > 1} == {}
