"""``crossgrain settings`` and ``options``: what a deployment may set and a call may say.

Both come from the definitions by which settings and options are read.
"""

from collections.abc import Iterable, Iterator, Sequence
from textwrap import fill

from crossgrain.catalogue import Catalogue
from crossgrain.cli.show.page import Page, markdown_table
from crossgrain.http.settings import Settings
from crossgrain.operations.options import Option, comparison_options, switch_options
from crossgrain.operations.screen_switches import screening_options

Row = tuple[str, ...]

SETTINGS = (
    "Settings",
    "What a deployment may set: by environment variables or, for secrets, by files of"
    " `CROSSGRAIN_SECRETS_DIR`. Settings are checked at start, where a fault is named and ends it,"
    " and then logged, secrets only as set.",
)
OPTIONS = (
    "Options",
    "What a call may say beside the record: as a parameter of `Parameters` or in the query, and,"
    " for `$propose-switch`, as an option of `crossgrain propose` (`validate` and `response`"
    " aside), always by the same name. An unknown option is refused, and so is one given twice"
    " that takes one value.",
)
_SETTING_HEADINGS = ("variable", "sets", "default")
_OPTION_HEADINGS = ("option", "type", "says")


def show_settings(page: Page | None = None) -> None:
    """Print every setting with its meaning and its default."""
    (page or Page()).table(_SETTING_HEADINGS, _settings())


def show_options(catalogue: Catalogue, page: Page | None = None) -> None:
    """Print every option of every operation."""
    page = page or Page()
    for operation, options in _options(catalogue):
        page.heading(operation)
        page.table(_OPTION_HEADINGS, map(_option, options))


def settings_note() -> str:
    """``service/docs/settings.md``."""
    return _note(SETTINGS, "settings", [markdown_table(_SETTING_HEADINGS, _coded(_settings()))])


def options_note(catalogue: Catalogue) -> str:
    """``service/docs/options.md``."""
    parts = (
        f"## `{operation}`\n\n{markdown_table(_OPTION_HEADINGS, _coded(map(_option, options)))}"
        for operation, options in _options(catalogue)
    )
    return _note(OPTIONS, "options", parts)


def _settings() -> Iterator[Row]:
    for name, field in Settings.model_fields.items():
        default = field.get_default(call_default_factory=True)
        yield f"CROSSGRAIN_{name.upper()}", field.description or "", _said(default)


def _said(default: object) -> str:
    if default in (None, (), {}):
        return "none"
    if isinstance(default, bool):
        return str(default).lower()
    return f"{default:g}" if isinstance(default, float) else str(default)


def _options(catalogue: Catalogue) -> Iterator[tuple[str, Sequence[Option]]]:
    for_a_switch = switch_options(catalogue)
    yield "$propose-switch", for_a_switch
    yield "$compare-bases", comparison_options()
    yield "$screen-switches", screening_options(for_a_switch)


def _option(option: Option) -> Row:
    codes = f" One of: {', '.join(option.codes)}." if option.codes else ""
    place = "" if option.in_query else " Never in a URL."
    kind = option.value_key.removeprefix("value")
    return option.name, kind[0].lower() + kind[1:], option.meaning + codes + place


def _note(head: tuple[str, str], command: str, parts: Iterable[str]) -> str:
    title, words = head
    made = f"Printed by `crossgrain {command} --markdown`: edit the definitions, not this file."
    return "\n\n".join((f"# {title}", made, fill(words, 98), *parts)) + "\n"


def _coded(rows: Iterable[Row]) -> Iterator[Row]:
    return ((f"`{first}`", *rest) for first, *rest in rows)
