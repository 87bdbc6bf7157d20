"""Emergency access: a client registered for it reads beyond its own cases, for a reason that the audit keeps.

Purpose of use BTG, «break the glass»: https://terminology.hl7.org/CodeSystem-v3-ActReason.html
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from service.access.grant import Grant
from service.errors import Category, refuse

HEADER = "X-Emergency-Reason"
SHORTEST_REASON, LONGEST_REASON = 10, 500


def emergency(grant: Grant, reason: str, registered: Collection[str]) -> Grant:
    """The grant with the reason in it. Refused when its client is not registered for this or the reason is none.

    A person's session on the pages is no client, whatever is registered.
    """
    if not grant.client or grant.person or grant.client not in registered:
        raise refuse(Category.FORBIDDEN, "This client is not registered for emergency access.", HEADER)
    words = " ".join(reason.split())
    if not SHORTEST_REASON <= len(words) <= LONGEST_REASON or not words.isprintable():
        sentence = f"Emergency access needs a reason of {SHORTEST_REASON} to {LONGEST_REASON} characters."
        raise refuse(Category.INVALID, sentence, HEADER)
    return replace(grant, emergency=words)
