"""The policy laboratory: invented patients, titrated by the real rules, to show what a set of thresholds costs.

A simulation with invented parts. It compares house policies with each other; it is not evidence about a
treatment and not advice for a patient. The rules come from `service.rules` and are never copied here.
"""

CAUTION = (
    "A simulation with invented parts: it compares sets of thresholds on made-up patients. It is not evidence about "
    "a treatment and not advice for a patient."
)
