"""The version of each rule in this release, as decisions name it."""

from __future__ import annotations

from service.rules import coverage_us, follow_up, readiness, referral, response, titration

RULES = {
    coverage_us.RULE: coverage_us.VERSION,
    follow_up.RULE: follow_up.VERSION,
    referral.RULE: referral.VERSION,
    response.RULE: response.VERSION,
    readiness.RULE: readiness.VERSION,
    titration.RULE: titration.VERSION,
}
