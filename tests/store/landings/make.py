"""Makes a database of an earlier landing: plays a few invented cases through the API of that landing's own service.

Run it inside a work tree of the landing, with what that landing needs installed:

    python <this folder>/make.py <file to write>.db.xz

Days are counted back from today; the day is told by the database itself. Needs nothing but the standard library.
"""

from __future__ import annotations

import json
import lzma
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

PORT = 18473
Message = tuple[str, dict[str, Any]]


def ago(days: int) -> str:
    """The ISO day so many days ago."""
    return (datetime.now(UTC).date() - timedelta(days=days)).isoformat()


def referral(number: str, name: tuple[str, str], days: int) -> dict[str, Any]:
    """A referral with its baseline test."""
    return {
        "referral_number": number,
        "referred_on": ago(days),
        "laboratory": {"id": "tarnwick-sleep", "name": "Tarnwick Sleep Laboratory"},
        "physician": {
            "id": "dr-01",
            "family_name": "Okonjo-Hale",
            "given_name": "Mirren",
            "practice": {"id": "osmere-sleep-medicine", "name": "Osmere Sleep Medicine"},
        },
        "dental_office": {"id": "ferrygate-dental", "name": "Ferrygate Dental"},
        "patient": {
            "id": f"P-{number}",
            "family_name": name[0],
            "given_name": name[1],
            "birth_date": "1970-03-04",
            "sex": "female",
        },
        "diagnosis": {"system": "icd-10-cm", "code": "G47.33", "text": "Obstructive sleep apnoea"},
        "baseline_test": {
            "test_number": f"{number}-B",
            "performed_on": ago(days + 14),
            "place": "home",
            "index": "AHI",
            "index_events_per_hour": 24.5,
            "hypopnoea_rule": "3% or arousal",
            "recording_hours": 6.8,
        },
        "epworth_total": 13,
        "pap_history": "not tolerated",
    }


def setting(entry: str, days: int, both: float) -> dict[str, Any]:
    """A setting with both sides alike."""
    return {"entry_id": entry, "set_on": ago(days), "advance_left_mm": both, "advance_right_mm": both}


def check_in(entry: str, days: int, snoring: float, rested: float) -> dict[str, Any]:
    """A check-in over seven nights."""
    return {
        "entry_id": entry,
        "reported_on": ago(days),
        "snoring_0_to_10": snoring,
        "restedness_0_to_10": rested,
        "nights_reported": 7,
        "nights_worn": 6,
        "hours_per_night": 6.25,
        "hours_slept_per_night": 7.0,
        "witnessed_pauses": False,
        "weight_kg": 82.5,
    }


def fitted(days: int) -> list[Message]:
    """Acceptance, assessment, delivery and first setting."""
    assessment = {
        "entry_id": "exam-1",
        "assessed_on": ago(days + 9),
        "protrusive_range_mm": 11,
        "teeth_upper": 14,
        "teeth_lower": 13,
        "mobile_teeth": False,
        "active_tmj_disorder": False,
        "overjet_mm": 3.0,
        "overbite_mm": 2.5,
    }
    appliance = {
        "entry_id": "appliance-1",
        "delivered_on": ago(days),
        "maximum_advance_mm": 6,
        "smallest_step_mm": 0.5,
        "starting_position_mm": 4.0,
    }
    return [
        ("referral-state", {"state": "accepted", "on": ago(days + 10)}),
        ("assessments", assessment),
        ("appliances", appliance),
        ("progress", {"settings": [setting("s0", days, 0)]}),
    ]


def tested(number: str, since: int, days: int, index: float) -> list[Message]:
    """From the delivery to the result of an efficacy test at 2 mm, set `since` days ago."""
    result = {
        "test_number": f"{number}-E",
        "performed_on": ago(days),
        "place": "home",
        "index": "AHI",
        "index_events_per_hour": index,
        "hypopnoea_rule": "3% or arousal",
        "recording_hours": 6.5,
        "event_count": round(index * 6.5),
        "odi_events_per_hour": 5.5,
        "odi_drop_percent": 3,
        "central_share_percent": 4,
        "appliance_worn": True,
        "setting_left_mm": 2,
        "setting_right_mm": 2,
    }
    laboratory = {"id": "tarnwick-sleep", "name": "Tarnwick Sleep Laboratory"}
    return [
        *fitted(since + 14),
        ("progress", {"settings": [setting("s1", since + 7, 1), setting("s2", since, 2)]}),
        ("progress", {"check_ins": [check_in("c1", since - 7, 2, 8), check_in("c2", since - 14, 2, 8)]}),
        ("test-orders", {"order_number": f"{number}-T", "ordered_on": ago(days + 5)}),
        ("sleep-tests", {"laboratory": laboratory, "test": result}),
    ]


def cases() -> Iterator[tuple[dict[str, Any], list[Message]]]:
    """The cases, each as its referral and what follows."""
    effect = {"entry_id": "e1", "reported_on": ago(1), "kind": "dry mouth", "grade_0_to_3": 1, "onset": ago(6)}
    yield (
        referral("L-TITRATING", ("Brandvold", "Tea"), 40),
        [
            *fitted(15),
            ("progress", {"settings": [setting("s1", 8, 1)]}),
            ("progress", {"check_ins": [check_in("c1", 1, 6, 5)], "side_effects": [effect]}),
        ],
    )
    decision = {"entry_id": "d1", "decided_on": ago(3), "decision": "advance-and-test-again"}
    yield referral("L-DECIDED", ("Averill", "Jun"), 120), [*tested("L-DECIDED", 45, 6, 9.2), ("decisions", decision)]
    flag = {"entry_id": "f1", "reported_on": ago(5), "kind": "drowsy-driving"}
    yield (
        referral("L-FLAG", ("Quennell", "Ada"), 50),
        [
            *fitted(20),
            ("progress", {"check_ins": [check_in("c1", 3, 4, 3)], "red_flags": [flag]}),
            ("progress", {"red_flags": [{**flag, "resolved_on": ago(2), "revision": 2}]}),
        ],
    )
    for number, name, choice, index in (
        ("L-FOLLOWED", ("Ferreby", "Nell"), "continue-treatment", 3.8),
        ("L-CLOSED", ("Maddern", "Ruth"), "stop-treatment", 21.5),
    ):
        decision = {"entry_id": "d1", "decided_on": ago(35), "decision": choice}
        completed = {"state": "completed", "on": ago(30)}
        yield (
            referral(number, name, 140),
            [*tested(number, 70, 40, index), ("decisions", decision), ("referral-state", completed)],
        )


def post(path: str, body: dict[str, Any]) -> dict[str, Any]:
    """Post a message; the answer. Ends the program when it is refused."""
    headers = {"Content-Type": "application/json"}
    request = urllib.request.Request(f"http://127.0.0.1:{PORT}{path}", json.dumps(body).encode(), headers)
    try:
        with urllib.request.urlopen(request) as reply:
            return json.loads(reply.read())
    except urllib.error.HTTPError as error:
        raise SystemExit(f"{path} was refused: {error.read().decode()}") from None


def wait() -> None:
    """Wait until the service answers."""
    for _ in range(300):
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{PORT}/health").close()
            return
        except OSError:
            time.sleep(0.1)
    raise SystemExit("the service did not start")


def main(target: Path) -> None:
    """Start the service of this work tree on an empty database, play the cases, keep the database."""
    with tempfile.TemporaryDirectory() as folder:
        made, kept = Path(folder) / "made.db", Path(folder) / "kept.db"
        environment = {**os.environ, "DATABASE_URL": f"sqlite:///{made}", "AIRWAY_RELAY_PORT": str(PORT)}
        service = subprocess.Popen([sys.executable, "-m", "service", "serve"], env=environment)
        try:
            wait()
            for opening, messages in cases():
                number = post("/intake/referrals", opening)["case_number"]
                for what, body in messages:
                    post(f"/intake/cases/{number}/{what}", body)
        finally:
            service.terminate()
            service.wait(20)
        with sqlite3.connect(made) as connection:
            connection.execute("VACUUM INTO ?", (str(kept),))
        target.write_bytes(lzma.compress(kept.read_bytes(), preset=9))


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve())
