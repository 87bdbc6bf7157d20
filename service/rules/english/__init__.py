"""The English of every reason, by its id. Numbers come first; marks and sources stand in the note behind a reason."""

from __future__ import annotations

from service.rules.english.judged import JUDGED

ENGLISH: dict[str, str] = {**JUDGED}
