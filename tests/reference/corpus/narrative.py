"""Narratives with what may not stand in them, or without what must (https://hl7.org/fhir/R4/narrative.html)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.build import Resource
from tests.reference.corpus.case import Case

KIND = "narrative"
_OPEN = '<div xmlns="http://www.w3.org/1999/xhtml">'
_TEXTS: dict[str, Any] = {
    "right": {"status": "generated", "div": f"{_OPEN}<p>a <b>b</b></p></div>"},
    "with a table": {"status": "generated", "div": f"{_OPEN}<table><tr><td>a</td></tr></table></div>"},
    "script": {"status": "generated", "div": f"{_OPEN}<script>alert(1)</script></div>"},
    "handler": {"status": "generated", "div": f'{_OPEN}<p onclick="alert(1)">a</p></div>'},
    "frame": {"status": "generated", "div": f'{_OPEN}<iframe src="https://elsewhere.example"></iframe></div>'},
    "form": {"status": "generated", "div": f'{_OPEN}<form action="a"><input name="b"/></form></div>'},
    "object": {"status": "generated", "div": f'{_OPEN}<object data="a">b</object></div>'},
    "link that runs a script": {"status": "generated", "div": f'{_OPEN}<a href="javascript:alert(1)">a</a></div>'},
    "link": {"status": "generated", "div": f'{_OPEN}<a href="https://elsewhere.example">a</a></div>'},
    "image": {"status": "generated", "div": f'{_OPEN}<img src="#a" alt="a"/></div>'},
    "empty": {"status": "generated", "div": f"{_OPEN}</div>"},
    "blanks alone": {"status": "generated", "div": f"{_OPEN}   </div>"},
    "not closed": {"status": "generated", "div": f"{_OPEN}<p>a</div>"},
    "no div": {"status": "generated", "div": "<p>a</p>"},
    "no namespace": {"status": "generated", "div": "<div>a</div>"},
    "words": {"status": "generated", "div": "a"},
    "div in an object": {"status": "generated", "div": {"p": "a"}},
    "without div": {"status": "generated"},
    "without status": {"div": f"{_OPEN}a</div>"},
    "unknown status": {"status": "written", "div": f"{_OPEN}a</div>"},
    "unknown entity": {"status": "generated", "div": f"{_OPEN}a &mystery; b</div>"},
    "known entity": {"status": "generated", "div": f"{_OPEN}a &amp; b &lt; c</div>"},
    "bare ampersand": {"status": "generated", "div": f"{_OPEN}a & b</div>"},
    "unknown tag": {"status": "generated", "div": f"{_OPEN}<relay>a</relay></div>"},
    "style attribute": {"status": "generated", "div": f'{_OPEN}<p style="color: red">a</p></div>'},
    "style tag": {"status": "generated", "div": f"{_OPEN}<style>p {{}}</style></div>"},
    "comment": {"status": "generated", "div": f"{_OPEN}a<!-- b --></div>"},
    "two divs": {"status": "generated", "div": f"{_OPEN}a</div>{_OPEN}b</div>"},
    "as text": "<div>a</div>",
    "as a list": [{"status": "generated", "div": f"{_OPEN}a</div>"}],
}
_PER_PROFILE = 8


def made(case: Case) -> Iterator[tuple[str, Resource]]:
    """Some of the narratives in the right resource, chosen by chance; over all profiles, each of them."""
    resource = case.fullest
    for name in case.random(KIND).sample(sorted(_TEXTS), _PER_PROFILE):
        yield name, {**resource, "text": _TEXTS[name]}
