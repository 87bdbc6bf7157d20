"""Narratives that would run or load something where they are shown, by many spellings. They are refused, never rewritten.

Kinds of payload after the OWASP XSS Filter Evasion Cheat Sheet (from memory), put into XHTML as a narrative holds it.
"""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from service.fhir.conformance.narrative import faults_of
from tests.web.messages import post

OPEN = '<div xmlns="http://www.w3.org/1999/xhtml">'

HOSTILE = [
    '<a href="javascript:alert(1)">x</a>',
    '<a href="JaVaScRiPt:alert(1)">x</a>',
    '<a href=" javascript:alert(1)">x</a>',
    '<a href="java&#9;script:alert(1)">x</a>',
    '<a href="java&#10;script:alert(1)">x</a>',
    '<a href="java&#13;script:alert(1)">x</a>',
    '<a href="&#x6a;avascript:alert(1)">x</a>',
    '<a href="jav&#x61;script&#58;alert(1)">x</a>',
    '<a href="&#9;&#10;javascript:alert(1)">x</a>',
    '<a href="vbscript:msgbox(1)">x</a>',
    '<a href="vb&#9;script:msgbox(1)">x</a>',
    '<a href="data:text/html;base64,PHNjcmlwdD5hbGVydCgxKTwvc2NyaXB0Pg==">x</a>',
    '<a href="data:text/html,x">x</a>',
    '<a href="DATA:text/html,x">x</a>',
    '<a href="da&#9;ta:text/html,x">x</a>',
    '<a href="data:image/svg+xml,x">x</a>',
    '<a href="blob:https://a.example/1">x</a>',
    '<a href="file:///etc/passwd">x</a>',
    '<a href="ftp://a.example/x">x</a>',
    '<a href="view-source:https://a.example">x</a>',
    '<q cite="javascript:alert(1)">x</q>',
    '<ins cite="java&#9;script:alert(1)">x</ins>',
    '<img src="https://tracker.example/p.png" alt="x"/>',
    '<img src="//tracker.example/p.png" alt="x"/>',
    '<img src="p.png" alt="x"/>',
    '<img src="#a" alt="x"/>',
    '<img src="javascript:alert(1)" alt="x"/>',
    '<img src="data:image/svg+xml;base64,PHN2Zz4=" alt="x"/>',
    '<img src="data:text/html,x" alt="x"/>',
    '<img src="data:image/png;base64,AAAA" longdesc="javascript:alert(1)" alt="x"/>',
    '<img src="data:image/png;base64,AAAA" usemap="https://a.example/#m" alt="x"/>',
    '<p style="background:url(https://tracker.example/p)">x</p>',
    '<p style="background:URL(https://tracker.example/p)">x</p>',
    '<p style="background:u\\72l(https://tracker.example/p)">x</p>',
    '<p style="background:\\75rl(//tracker.example/p)">x</p>',
    '<p style="background:ur/**/l(https://tracker.example/p)">x</p>',
    '<p style="background:image-set(&quot;https://tracker.example/p&quot; 1x)">x</p>',
    '<p style="width:expression(alert(1))">x</p>',
    '<p style="width:exp/**/ression(alert(1))">x</p>',
    '<p style="behavior:x">x</p>',
    '<p style="-moz-binding:x">x</p>',
    '<p style="content:attr(title)">x</p>',
    '<p style="@import x">x</p>',
    "<p onclick='alert(1)'>x</p>",
    "<p>&#x202e;x</p>",
    "<p>&#8238;x</p>",
    "<p title='&#x2067;x'>x</p>",
    "<p ONCLICK='alert(1)'>x</p>",
    "<svg>x</svg>",
    "<math>x</math>",
    "<object data='a'>x</object>",
    "<embed src='a'/>x",
    "<base href='https://a.example'/>x",
    "<meta http-equiv='refresh' content='0;url=https://a.example'/>x",
    "<link rel='stylesheet' href='https://a.example'/>x",
    "<style>p{background:url(https://a.example)}</style>x",
    "<![CDATA[<script>alert(1)</script>]]>x",
    "<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'>x</svg>",
    '<a href="https://a.example" target="_blank">x</a>',
    '<table background="https://tracker.example/p"><tr><td>x</td></tr></table>',
]
HARMLESS = [
    '<a href="https://a.example/x?y=1#z">x</a>',
    '<a href="#part">x</a><p id="part">y</p>',
    '<a href="Patient/1">x</a>',
    '<a href="mailto:office@a.example">x</a>',
    '<a href="tel:+15550100">x</a>',
    '<a href="https://a.example" rel="noopener">x</a>',
    '<p style="color: red; text-align: right; border: 1px solid #444">x</p>',
    '<p style="color: rgb(1, 2, 3)">x</p>',
    '<img src="data:image/png;base64,iVBORw0KGgo=" alt="x"/>',
    "<p>He wrote: javascript:alert(1) &lt;script&gt;</p>",
    "<table border='1' cellpadding='2'><tr><th scope='row'>x</th><td colspan='2'>y</td></tr></table>",
    "<q cite='https://a.example'>x</q>",
]


@pytest.mark.parametrize("inside", HOSTILE)
def test_a_hostile_narrative_is_refused(inside: str) -> None:
    assert faults_of(f"{OPEN}{inside}</div>")


@pytest.mark.parametrize("inside", HARMLESS)
def test_a_harmless_narrative_stands(inside: str) -> None:
    assert faults_of(f"{OPEN}{inside}</div>") == ()


def test_the_door_refuses_it_with_a_place_and_keeps_nothing(client: TestClient) -> None:
    body = {
        "resourceType": "Patient",
        "identifier": [{"system": "https://x.example/patients", "value": "N-1"}],
        "name": [{"family": "Invented"}],
        "gender": "unknown",
        "text": {"status": "generated", "div": f'{OPEN}<a href="java&#9;script:alert(1)">x</a></div>'},
    }
    answer = post(client, "/fhir/Patient", body)
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["Patient.text.div"]
    assert client.get("/fhir/Patient?identifier=N-1").json()["total"] == 0
