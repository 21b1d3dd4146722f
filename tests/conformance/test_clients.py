"""Clients that general tools generate from the OpenAPI document, in Python and TypeScript.

Each is made of the document as it ships, type-checked strictly with a program that uses it, and run
against the service: the recipes print what the cookbook prints, and what the client reads is what
plain HTTP answers.

The Python generator and what its client stands on live in an environment of their own, as at
a caller's: ``python3.11 -m venv .venv`` in ``clients/``, and ``requirements.txt`` there.
"""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest
from tests.api.test_cookbook import COMPILER, COOKBOOK, NODE_TYPES, ROOT, STRICT
from tests.bench.serve.server import running
from tests.conformance.node import HERE, NODE, needs_node, needs_packages

Made = dict[str, Any]
DOCUMENT = ROOT / "openapi" / "openapi.json"
CLIENTS = HERE / "clients"
OWN = CLIENTS / ".venv" / "bin"
FHIR, PLAIN = "application/fhir+json", "application/json"

needs_generator = pytest.mark.skipif(
    not (OWN / "openapi-python-client").exists(),
    reason="install tests/conformance/clients/requirements.txt into clients/.venv first",
)


def told(
    command: list[str | Path], folder: Path = ROOT, **environment: str
) -> subprocess.CompletedProcess[str]:
    """A command that has ended."""
    return subprocess.run(
        command,
        cwd=folder,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def ran(command: list[str | Path], **environment: str) -> str:
    """What a command prints that must not fail."""
    ended = told(command, **environment)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    return ended.stdout


def in_python(document: Path, folder: Path) -> str:
    """The program in Python with the client beside it, and what the generator said."""
    options = ["--meta", "none", "--config", CLIENTS / "generator.json"]
    made = ["--path", document, "--output-path", folder / "crossgrain_client"]
    path = f"{OWN}{os.pathsep}{os.environ['PATH']}"  # the formatter that it ends with
    said = ran([OWN / "openapi-python-client", "generate", *made, *options], PATH=path)
    shutil.copy(CLIENTS / "cookbook.py", folder)
    return said


def in_typescript(document: Path, folder: Path) -> str:
    """The program in TypeScript with the client's types beside it, and what the generator said."""
    made = ["openapi-typescript", document, "--output", folder / "api.d.ts"]
    (folder / "node_modules").symlink_to(HERE / "node_modules")
    said = ran([str(NODE), HERE / "node_modules/openapi-typescript/bin/cli.js", *made[1:]])
    shutil.copy(CLIENTS / "cookbook.mts", folder)
    (folder / "node.d.ts").write_text(NODE_TYPES)
    return said


def faults_in_python(folder: Path) -> list[str]:
    """What the type checker finds in the program and in its client."""
    options = ["--strict", "--python-executable", OWN / "python", "--cache-dir", folder / "cache"]
    found = told([sys.executable, "-m", "mypy", *options, "cookbook.py"], folder).stdout
    return [line for line in found.splitlines()[:-1] if not _OF_THE_GENERATOR.match(line)]


_OF_THE_GENERATOR = re.compile(
    r"crossgrain_client/(client\.py.*__a?exit__|api/.*(Switch|Step)Response \| Unset)"
)
"""What it writes untyped itself, and a variable that it calls ``response`` beside a parameter of
that name; it is sound as it runs."""


def faults_in_typescript(folder: Path) -> list[str]:
    """What the compiler finds in the program and in its client."""
    options = [*STRICT, "--lib", "es2022,dom,dom.iterable", "--outDir", "out"]
    command: list[str | Path] = [str(NODE), COMPILER, *options, "node.d.ts", "cookbook.mts"]
    return told(command, folder).stdout.splitlines()


def answers_python(folder: Path, base: str) -> Made:
    return dict(json.loads(ran([OWN / "python", folder / "cookbook.py"], BASE=base)))


def answers_typescript(folder: Path, base: str) -> Made:
    return dict(json.loads(ran([str(NODE), folder / "out" / "cookbook.mjs"], BASE=base)))


LANGUAGES = [
    pytest.param(in_python, faults_in_python, answers_python, id="python", marks=needs_generator),
    pytest.param(
        in_typescript,
        faults_in_typescript,
        answers_typescript,
        id="typescript",
        marks=[needs_node, needs_packages],
    ),
]


@pytest.fixture(scope="module")
def base() -> Iterator[str]:
    with running() as server:
        yield server.base


def asked(base: str, path: str, body: Any, content: str = FHIR) -> tuple[int, Any]:
    """The status and the answer, by HTTP alone; a body is posted."""
    sent = None if body is None else json.dumps(body).encode()
    request = Request(base + path, sent, {"Content-Type": content})
    try:
        with urlopen(request) as answer:
            return answer.status, json.loads(answer.read() or "null")
    except HTTPError as error:
        return error.code, json.load(error)


def by_http(base: str) -> Made:
    """The answers to the further calls of the programs, by HTTP alone."""
    record = fixture("patients/01-levothyroxine-150.json")
    broken = fixture("patients/01-levothyroxine-150.json")
    broken["entry"][0]["resource"]["gender"] = 7
    system = "http://crossgrain.example/fhir/CodeSystem/finding"
    ask = partial(asked, base)
    desiccated = "/fhir/r4/$propose-switch?target=desiccated-thyroid&as-of=2025-03-03"
    sign = fixture("calls/order-sign.json")
    return {
        "propose": ask(desiccated, record)[1],
        "compare": ask("/fhir/r4/$compare-bases?as-of=2025-03-03", record)[1],
        "next-step": ask("/fhir/r4/$next-step?as-of=2025-04-17", fixture("visits/on-time.json"))[1],
        "refused": [*ask(f"{desiccated}&ratio=15", record)],
        "not-valid": ask("/fhir/r4/$propose-switch?as-of=2025-03-03&validate=true", broken)[1],
        "services": ask("/cds-services", None)[1],
        "cards": ask("/cds-services/thyroid-order", sign, PLAIN)[1],
        "feedback": ask(
            "/cds-services/thyroid-order/feedback", fixture("calls/feedback.json"), PLAIN
        )[0],
        "lookup": ask(f"/fhir/r4/CodeSystem/$lookup?system={system}&code=warfarin", None)[1],
    }


def fixture(file: str) -> Any:
    return json.loads((ROOT / "fixtures" / file).read_text("utf-8"))


def printed() -> dict[str, list[str]]:
    """What the cookbook says that its programs print, by heading; the doses' second are draws."""
    page = COOKBOOK.read_text("utf-8")
    told: dict[str, list[str]] = {}
    for section in page.split("\n## ")[1:]:
        heading, _, rest = section.partition("\n")
        parts = [part.partition("\n```")[0] for part in rest.split("```text\n")[1:]]
        named = zip((heading, "The draws of a plan"), parts, strict=False)
        told |= {name: part.splitlines() for name, part in named}
    return told


@pytest.mark.parametrize(("make", "faults", "answer"), LANGUAGES)
def test_a_generated_client_is_sound_and_runs_the_cookbook(
    base: str,
    tmp_path: Path,
    make: Callable[[Path, Path], str],
    faults: Callable[[Path], list[str]],
    answer: Callable[[Path, str], Made],
) -> None:
    said = make(DOCUMENT, tmp_path)
    assert "WARNING" not in said  # of what the generator left out
    assert faults(tmp_path) == []
    read, plain = answer(tmp_path, base), by_http(base)
    assert read["recipes"] == printed()
    assert read["answers"].keys() == plain.keys()
    for name, expected in plain.items():
        assert read["answers"][name] == expected, name
    assert plain["refused"][0] == 422
    assert plain["not-valid"]["issue"][0]["severity"] == "error"
    assert plain["cards"]["cards"]


@pytest.mark.parametrize(("make", "faults", "answer"), LANGUAGES)
def test_a_program_of_another_contract_is_not_sound(
    tmp_path: Path, make: Any, faults: Any, answer: Any
) -> None:
    """Where the document gives an answer another type, each checker sees it in the program."""
    document = json.loads(DOCUMENT.read_text("utf-8"))
    answered = document["paths"]["/fhir/r4/$propose-switch"]["post"]["responses"]["200"]
    for media in answered["content"].values():
        media["schema"] = {"$ref": "#/components/schemas/Parameters"}
    (tmp_path / "openapi.json").write_text(json.dumps(document))
    make(tmp_path / "openapi.json", tmp_path)
    found = faults(tmp_path)
    assert found
    assert all(fault.startswith(("cookbook", " ")) for fault in found), found
