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


UNASKED_FOR = (
    "cryptography", "joserfc", "icalendar", "duckdb", "pyarrow", "fhir", "redis", "rich",
    "pydantic.v1", "httpx2", "jinja2",
)  # fmt: skip
"""Libraries that the default settings do not need."""


def loaded_with(settings: str) -> list[str]:
    """Which of them a service by some settings has loaded when it is ready."""
    starting = (
        "import sys\n"
        "from crossgrain.catalogue import load_catalogue\n"
        "from crossgrain.cli.serving import create_app\n"
        "from crossgrain.http.settings import Settings\n"
        f"create_app(Settings({settings}), load_catalogue())\n"
        f"print(*[name for name in {UNASKED_FOR!r} if name in sys.modules])\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", starting], check=True, capture_output=True, text=True
    )
    return ran.stdout.split()


def test_a_service_loads_no_library_that_its_settings_do_not_need() -> None:
    assert loaded_with("") == []


def test_the_library_of_signatures_is_loaded_before_the_first_token_comes() -> None:
    asking = (
        "fhir_auth='jwks', oauth_jwks='keys.json', oauth_issuer='https://issuer.example',"
        " oauth_audience='https://service.example'"
    )
    assert loaded_with(asking) == ["cryptography", "joserfc", "httpx2"]


def test_a_class_name_has_one_meaning_in_the_whole_package() -> None:
    where: dict[str, list[str]] = {}
    for source in (ROOT / "service" / "crossgrain").rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                where.setdefault(node.name, []).append(source.name)
    assert len(where) > 200
    assert {name: files for name, files in where.items() if len(files) > 1} == {}


def test_a_class_of_values_is_defined_by_our_own_decorator() -> None:
    sources = [f.read_text("utf-8") for f in (ROOT / "service" / "crossgrain").rglob("*.py")]
    assert sum(source.count("\n@frozen\n") for source in sources) > 200
    assert not any("@dataclass(frozen=True, slots=True)\n" in source for source in sources)


CACHES = {
    "app/conformance/routes.py": {"packed", "shelf"},  # when one is asked for
    "app/pages.py": {"page"},  # the workbench, the same
    "catalogue/__init__.py": {"_shipped"},  # the package's own files, parsed
    "dosing/ladder.py": {"pairs"},  # a tablet table, as those of kits, moves, prior, tablets
    "dosing/kept.py": {"rows", "draft"},  # whole plans
    "dosing/kits.py": {"smallest_kit"},
    "dosing/moves.py": {"climbing", "evenly_divided", "intake_per_unit", "rungs"},
    "dosing/prior.py": {"_old_doses", "with_mask"},  # the second lives as long as one search
    "dosing/tablets.py": {"day_dose", "makings"},
    "nightly/sieve.py": {  # the night's own: what each concept is, which millions of lines name
        "_seen",
        "_in_bytes",
        "_is_for_thyroid",
        "kinds",
        "is_lab",
        "is_concern",
        "is_reason",
    },
    "nightly/spark.py": {"_catalogue"},
    "reading/concerns.py": {"_known"},  # readings of words, from here
    "reading/elements.py": {"_DATES"},
    "reading/hearing.py": {"heard", "named", "sigs"},
    "reading/labs.py": {"_CONVERTED"},
    "reading/medication_resources.py": {"_FOR"},
    "reading/medicines.py": {"_EVIDENCE", "_OTHER", "_TOLD"},
    "reading/names.py": {"_NAMED"},
    "reading/quantities.py": {"_from_library"},
    "sheet/locale.py": {"locale"},  # one small file for each
    "sheet/rendering.py": {"_environment"},  # the compiled templates
}
"""Every cache there may be, each with its reason beside it or in `service/docs/decisions.md`."""


def test_there_is_no_cache_but_those_with_a_reason() -> None:
    package = ROOT / "service" / "crossgrain"
    found: dict[str, set[str]] = {}
    for source in package.rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            for name in _caches_in(node):
                found.setdefault(source.relative_to(package).as_posix(), set()).add(name)
    assert found == CACHES


def _caches_in(node: ast.AST) -> list[str]:
    """What a definition or an assignment calls a cache."""
    if isinstance(node, ast.FunctionDef):
        return [node.name] if any(map(_is_cache, node.decorator_list)) else []
    if isinstance(node, ast.Assign | ast.AnnAssign) and node.value:
        made = [part for part in ast.walk(node.value) if isinstance(part, ast.Call)]
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        return [ast.unparse(t).rpartition(".")[2] for t in targets if any(map(_is_cache, made))]
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "object.__setattr__":
        return [ast.literal_eval(node.args[1])] if any(map(_is_cache, node.args)) else []
    return []


def _is_cache(node: ast.AST) -> bool:
    called = ast.unparse(node.func if isinstance(node, ast.Call) else node)
    return called.removeprefix("functools.") in {
        "lru_cache",
        "cache",
        "cached_property",
        "Remembered",
    }
