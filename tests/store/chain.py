"""What must hold of the audit chain at any moment, worked out anew from the rows themselves."""

from __future__ import annotations

import hashlib
from typing import Any

Rows = list[dict[str, Any]]


def check_chain(held: dict[str, Rows]) -> None:
    """AssertionError unless every AuditEvent is one link of one chain, and every chain is whole to its head."""
    events = {r["id"]: r for r in held["resource_version"] if r["type"] == "AuditEvent"}
    links = sorted(held["audit_chain"], key=lambda r: (r["chain"], r["number"]))
    assert sorted(r["event"] for r in links) == sorted(events)
    ends = {r["chain"]: (r["number"], r["hash"]) for r in held["audit_head"]}
    reached = dict.fromkeys(ends, (0, ""))
    for row in links:
        number, before = reached[row["chain"]]
        assert row["number"] == number + 1
        event = events[row["event"]]
        parts = (before, str(row["chain"]), str(row["number"]), row["event"], event["last_updated"], event["body"])
        assert row["hash"] == hashlib.sha256("\n".join(parts).encode()).hexdigest()
        reached[row["chain"]] = (row["number"], row["hash"])
    assert reached == ends
