"""Every program of the cookbook runs as it is written, and prints what stands below it.

``python -m tests.api.test_cookbook`` writes what they print into the page.
"""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.bench.serve.server import Server, running
from tests.conformance.node import HERE, NODE, needs_node, needs_packages

ROOT = Path(__file__).parents[2]
COOKBOOK = ROOT / "service/docs/cookbook.md"
_BLOCK = re.compile(r"(^```(python|typescript)\n(.*?)^```\n\n^```text\n)(.*?)(^```)", re.M | re.S)
COMPILER = HERE / "node_modules/typescript/bin/tsc"
STRICT = [
    "--strict",
    "--noEmitOnError",
    "--skipLibCheck",
    "--target",
    "es2022",
    "--module",
    "nodenext",
]
NODE_TYPES = (
    'declare module "node:fs" { function readFileSync(file: string, as: "utf-8"): string }\n'
    "declare const process: { env: Record<string, string> }"
)
"""Of Node's own modules, whose types are a package of their own, a program takes one function."""


def recipes(language: str) -> list[tuple[str, str]]:
    """Each program of a language, and what the page says that it prints."""
    found = _BLOCK.findall(COOKBOOK.read_text("utf-8"))
    return [(program, prints) for _, of, program, prints, _ in found if of == language]


def printed(language: str, program: str, base: str, folder: Path) -> str:
    """What a program prints, run from the root."""
    environment = os.environ | {"BASE": base}
    if language == "python":
        command = [sys.executable, "-c", program]
    else:
        command = [str(NODE), str(compiled(program, folder))]
    ran = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def compiled(program: str, folder: Path) -> Path:
    """A program in TypeScript, checked strictly and turned into JavaScript."""
    (folder / "node.d.ts").write_text(NODE_TYPES)
    (folder / "recipe.mts").write_text(program)
    options = [*STRICT, "--lib", "es2022,dom", "--outDir", "out"]
    command = [str(NODE), str(COMPILER), *options, "node.d.ts", "recipe.mts"]
    ran = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout
    return folder / "out" / "recipe.mjs"


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    with running() as server:
        yield server


@pytest.mark.parametrize(("program", "prints"), recipes("python"))
def test_a_program_in_python_prints_what_the_page_says(
    server: Server, tmp_path: Path, program: str, prints: str
) -> None:
    assert prints
    assert printed("python", program, server.base, tmp_path) == prints


@pytest.mark.slow
@needs_node
@needs_packages
@pytest.mark.parametrize(("program", "prints"), recipes("typescript"))
def test_a_program_in_typescript_is_sound_and_prints_what_the_page_says(
    server: Server, tmp_path: Path, program: str, prints: str
) -> None:
    assert prints
    assert printed("typescript", program, server.base, tmp_path) == prints


def _write(base: str, folder: Path) -> None:
    def filled(block: re.Match[str]) -> str:
        opens, language, program, _, closes = block.groups()
        return f"{opens}{printed(language, program, base, folder)}{closes}"

    COOKBOOK.write_text(_BLOCK.sub(filled, COOKBOOK.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    import tempfile

    with running() as at, tempfile.TemporaryDirectory() as somewhere:
        _write(at.base, Path(somewhere))
