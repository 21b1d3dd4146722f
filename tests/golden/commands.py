"""What is asked on the command line."""

from collections.abc import Iterator
from dataclasses import dataclass

from tests.api.calls import AS_OF, FIXTURES, PATIENTS

CHART = """
[[basis]]
id = "our-chart"
statement = "One grain = LT4 75 µg = LT3 25 µg"
source = "our protocol of 2024"
lt4_ug_per_grain = "75"
lt4_ug_per_lt3_ug = "3"

[stock]
levothyroxine = ["25", "50", "100"]
"""


@dataclass(frozen=True, slots=True)
class Command:
    """One call of the command line.

    Attributes
    ----------
    arguments : after ``crossgrain``
    first : Python scripts that make the input, run before it in the same folder
    writes : files whose content counts as part of the answer
    """

    name: str
    arguments: tuple[str, ...]
    first: tuple[tuple[str, ...], ...] = ()
    writes: tuple[str, ...] = ()
    surface: str = "commands"

    @property
    def folder(self) -> str:
        """A name for the folder that it runs in."""
        return self.name.replace(" ", "-")


def commands() -> Iterator[Command]:
    """All of them: each shape of an answer, each end, and a night."""
    for name, file, target, more in (
        ("as text", "01-levothyroxine-150", "desiccated-thyroid", ()),
        ("as text with reasons", "02-desiccated-120", "levothyroxine", ("--why",)),
        ("as text for r5", "16-draft-order", "", ("--fhir", "r5")),
        ("in brief", "01-levothyroxine-150", "desiccated-thyroid", ("--detail", "brief")),
        ("as json", "01-levothyroxine-150", "desiccated-thyroid", ("--json",)),
        ("stop as text", "11-adrenal-insufficiency", "desiccated-thyroid", ()),
        ("data required as text", "12-text-only-sig", "desiccated-thyroid", ()),
        ("refused", "01-levothyroxine-150", "desiccated-thyroid", ("--pace", "slow")),
        ("no such file", "00-nobody", "levothyroxine", ()),
        ("a sheet", "01-levothyroxine-150", "desiccated-thyroid", ("--sheet", "sheet.html")),
    ):
        wish = ("--target", target) if target else ()
        asked = ("propose", str(PATIENTS / f"{file}.json"), "--as-of", AS_OF, *wish, *more)
        written = tuple(option for option in more if option.endswith(".html"))
        yield Command(f"propose {name}", asked, writes=written)
    yield Command("bases", ("bases",))
    yield Command("evidence", ("evidence",))
    yield Command("evidence as a note", ("evidence", "--markdown"))
    chart = ("-c", f"open('clinic.toml', 'w').write({CHART!r})")
    yield Command("bases of a clinic", ("bases", "--chart", "clinic.toml"), first=(chart,))
    for version in ("r4", "r5"):
        yield _night(version)


def _night(version: str) -> Command:
    made = (
        str(FIXTURES / "exports/generate.py"), "made", "--patients", "400",
        "--hormone-share", "0.5", "--version", version,
    )  # fmt: skip
    options = ("--out", "flags", "--as-of", AS_OF, "--worklist", "task", "--jobs", "1")
    outputs = (
        "DetectedIssue.ndjson", "Task.ndjson", "needs-review.ndjson", "summary.html",
        "worklist.csv", "report.json",
    )  # fmt: skip
    return Command(
        f"screen {version}",
        ("screen", "made/export", *options),
        first=(made,),
        writes=tuple(f"flags/{name}" for name in outputs),
    )
