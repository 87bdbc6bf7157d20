"""How hard a text for patients is to read: the school grade by two formulas, on blocks as a reader takes them in.

Flesch-Kincaid and Gunning fog are used: both are means over sentences and words, so that they bear a text of two or three
sentences. SMOG was normed on thirty sentences, and Dale-Chall counts every word that a list of 1948 did not know. A block is
what stands together: the main message, a list entry, a question with its hint. A text of fewer than eight words is graded
with what stands around it and not by itself: there one long word decides, and «Stop wearing the appliance.» would fail.
Fog does not count familiar jargon as hard words (Gunning 1952); the one such word here is `appliance`, the thing that the
reader holds in the hand. Flesch-Kincaid counts all its syllables.

A date is read as its day and month; of a number with a fraction the whole; a telephone number, its colon and the words on
where it comes from stand beside the sentence and are left out, and so is the parenthesis with a day.
"""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser

import textstat

URGENT, PLAIN = 5.0, 6.0
_TELEPHONE = re.compile(r":? \+?[0-9(][0-9 ()/.-]{3,28}[0-9](?: \(according to the referral\))?(?=\.|$)")
_DATE = re.compile(r"\b(\d{1,2}) ([A-Z][a-z]{2}) \d{4}\b")
_MONTHS = dict(
    zip(
        ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
        [
            "January",
            "February",
            "March",
            "April",
            "May",
            "June",
            "July",
            "August",
            "September",
            "October",
            "November",
            "December",
        ],
        strict=True,
    )
)
_FRACTION = re.compile(r"\b(\d+)[.,]\d+\b")
_DAY_BESIDE = re.compile(r" \((?:since|until|from) [^()]*\)")
_LEAST_WORDS = 8


def as_read(text: str) -> str:
    """The text as somebody reads it out."""
    text = _DAY_BESIDE.sub("", _TELEPHONE.sub("", text))
    text = _DATE.sub(lambda m: f"{m[1]} {_MONTHS[m[2]]}", text)
    return re.sub(r"\s+", " ", _FRACTION.sub(r"\1", text)).strip()


def grades(text: str) -> tuple[float, float]:
    """School grades of a text by Flesch-Kincaid and by Gunning fog."""
    read = as_read(text)
    familiar = re.sub(r"\bappliance\b", "aid", read)
    return round(textstat.flesch_kincaid_grade(read), 2), round(textstat.gunning_fog(familiar), 2)


def too_hard(block: str, limit: float) -> list[tuple[str, tuple[float, float]]]:
    """The block, and each of its longer sentences, that is above a grade by either formula."""
    sentences = re.split(r"(?<=[.?!]) (?=[A-Z0-9])", as_read(block))
    wanted = [s for s in sentences if len(s.split()) >= _LEAST_WORDS]
    if len(as_read(block).split()) >= _LEAST_WORDS:
        wanted.append(block)
    return [(one, found) for one in dict.fromkeys(wanted) if max(found := grades(one)) > limit]


class Blocks(HTMLParser):
    """The blocks of a page for patients: paragraphs, list entries, questions; `urgent` where the page says so."""

    _OPENS = frozenset({"p", "li", "legend", "summary", "h1", "h2", "section", "fieldset", "div", "label", "dd", "dt"})

    def __init__(self, page: str) -> None:
        super().__init__()
        self.blocks: list[tuple[str, bool]] = []
        self._text, self._urgent, self._skips = "", 0, 0
        self._kinds: list[tuple[str, bool]] = []
        self.feed(page.split('<main id="content">')[1].split("</main>")[0])
        self._end()

    def _end(self) -> None:
        words = " ".join(unescape(self._text).split())
        if words:
            self.blocks.append((words, self._urgent > 0))
        self._text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = dict(attrs)
        if tag in ("svg", "dl", "nav") or (tag == "p" and "tools-of-paper" in (held.get("class") or "")):
            self._skips += 1
        if tag in self._OPENS:
            self._end()
        if tag in ("section", "p"):
            urgent = any(k in (held.get("class") or "").split() for k in ("is-urgent", "emergency"))
            self._kinds.append((tag, urgent))
            self._urgent += urgent

    def handle_endtag(self, tag: str) -> None:
        if tag in self._OPENS:
            self._end()
        if tag in ("svg", "dl", "nav"):
            self._skips -= 1
        if self._kinds and self._kinds[-1][0] == tag:
            self._urgent -= self._kinds.pop()[1]

    def handle_data(self, data: str) -> None:
        if not self._skips:
            self._text += data
