"""What `airway-relay audit` and `verify` take; nothing here needs the database."""

from __future__ import annotations

from typing import Any

_HEADS: dict[str, Any] = {
    "metavar": "FILE",
    "action": "append",
    "help": "ends that were exported earlier by `audit head`; give it again for more",
}


def add_audit_commands(commands: Any) -> None:
    """Add the commands to those of the command line."""
    audit = commands.add_parser("audit", help="check the audit chains, export their ends, review emergency accesses")
    does = audit.add_subparsers(dest="what", required=True, metavar="ACTION")
    verify = does.add_parser("verify", help="find what is wrong in the chains")
    verify.add_argument("--head", **_HEADS)
    verify.add_argument("--key", metavar="FILE", help="the public key of that head (default: the one set here)")
    does.add_parser("head", help="print the ends of the chains, signed")
    does.add_parser("key", help="print the public key that they are checked with")
    listed = does.add_parser("emergencies", help="emergency accesses that nobody has reviewed, one a line")
    listed.add_argument("--all", action="store_true", help="those that were reviewed as well")
    review = does.add_parser("review", help="note who looked into an emergency access and what came of it")
    review.add_argument("id", help="its id, as `audit emergencies` prints it")
    review.add_argument("--by", required=True, metavar="NAME", help="who looked into it")
    review.add_argument("--note", required=True, metavar="TEXT", help="what came of it")
    whole = commands.add_parser("verify", help="hold all that is stored against the audit and against itself")
    whole.add_argument("case", nargs="*", metavar="CASE", help="case numbers (default: the whole database)")
    whole.add_argument("--head", **_HEADS)
    whole.add_argument("--key", metavar="FILE", help="the public key of those heads (default: the one set here)")
