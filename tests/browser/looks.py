"""What every look at a page asks of it."""

import json
from pathlib import Path

import axe_playwright_python
from playwright.sync_api import Page

WIDTHS = (320, 360, 768, 1400)
SCHEMES = ("light", "dark")
_AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text("utf-8")
_RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def violations(page: Page) -> list[str]:
    """What axe-core finds against WCAG 2.2 AA and its own best practice, with the elements.

    axe-core 4.12 (Deque): an outside judge, run in the page.
    """
    page.evaluate(_AXE)
    options = json.dumps({"runOnly": {"type": "tag", "values": _RULES}, "iframes": False})
    found = page.evaluate(f"axe.run(document, {options})")
    assert len(found["passes"]) > 15, "axe looked at nothing"
    return [
        f"{rule['id']}: {node['target']} {node['failureSummary']}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]


def too_wide(page: Page) -> int:
    """Pixels by which the page is wider than its window."""
    wide: int = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    return wide


def unfold(page: Page) -> None:
    """Open everything that is folded."""
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
