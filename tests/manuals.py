"""The documents of the project, as the tests read them."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
FRONT_PAGE = (ROOT / "README.md").read_text()
INTEGRATOR = (ROOT / "examples" / "README.md").read_text()
OPERATOR = (ROOT / "service" / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
_HIDDEN = (ROOT / ".github").glob("*.md")
PAGES = sorted(
    [p for p in ROOT.rglob("*.md") if not any(part.startswith(".") for part in p.relative_to(ROOT).parts)] + [*_HIDDEN]
)


def blocks(page: str, kind: str) -> list[str]:
    """The blocks of code of a kind (`sh`, `text`, `console`, `toml`), in order."""
    return re.findall(rf"^```{kind}\n(.*?)^```", page, re.MULTILINE | re.DOTALL)


def section(page: str, heading: str) -> str:
    """What stands below a heading of the second level."""
    _, found, rest = page.partition(f"\n## {heading}\n")
    assert found, heading
    return rest.partition("\n## ")[0]


def rows(text: str) -> list[list[str]]:
    """The cells of every row of the tables in a text, without their heads."""
    lines = re.findall(r"^\| (.*) \|$", text, re.MULTILINE)
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)] for line in lines]


def addresses(page: str) -> set[tuple[str, str]]:
    """Method and path of every address that a table of a page explains."""
    return set(re.findall(r"^\| `(GET|POST|PUT|DELETE) ([^`]+)` \|", page, re.MULTILINE))


def anchors(page: Path) -> set[str]:
    """What links to the headings of a page end with, as hosting platforms make it of a heading."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
