"""What a message would change, shown before it is sent: nothing of it is stored."""

from __future__ import annotations

from typing import Any

from service.intake.change import PlannedChange

_NOT_SHOWN = ("AuditEvent", "Provenance")


def looked_at(found: PlannedChange) -> dict[str, Any]:
    """The part of an answer that says what would be written. What is new has no id and no case number yet."""
    answer = found.answer
    created = {o.reference for o in answer.outcomes if o.what == "created"}
    return {
        "dry_run": True,
        "case_number": None if answer.opened else answer.case_number,
        "opens_a_case": answer.opened,
        "resources": [
            {
                "reference": o.reference.partition("/")[0] if o.reference in created else o.reference,
                "version": o.version,
                "result": o.what,
            }
            for o in answer.outcomes
        ],
        "would_write": would_write(found),
    }


def would_write(found: PlannedChange) -> list[dict[str, Any]]:
    """How many versions of each type would be written; records of the act itself are left out."""
    counted: dict[str, int] = {}
    for row in found.change.rows:
        if row.type not in _NOT_SHOWN:
            counted[row.type] = counted.get(row.type, 0) + 1
    return [{"type": kind, "versions": number} for kind, number in sorted(counted.items())]


def sentence_of(found: PlannedChange) -> str:
    """Where a message would bring its case, in one sentence for people."""
    answer = found.answer
    stage, mover = answer.summary["stage"], answer.summary["whose_move"]
    written = ", ".join(f"{one['versions']} of {one['type']}" for one in would_write(found)) or "none"
    return (
        f"Sent now, it would bring case {answer.case_number} to the stage «{stage}» (whose move: {mover}). "
        f"{answer.summary['why']} Versions that would be written: {written}."
    )
