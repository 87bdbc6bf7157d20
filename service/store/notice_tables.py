"""The tables of notices: the outbox, the subscriptions, and which event of which subscription a notice became."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Column, Index, String, Text, text
from sqlmodel import Field, SQLModel

WAITING = text("handed_out = false")


class NoticeRow(SQLModel, table=True):
    """The outbox: one row for what parties are told, written in the transaction that decided so.

    Of another topic than whose move it is, only case, time and focus are filled.
    """

    __tablename__ = "notice"
    id: str = Field(primary_key=True, max_length=64)
    case_number: str = Field(max_length=64)
    made_at: str = Field(max_length=32)
    whose_move: str = Field(max_length=32)
    owner: str = Field(max_length=80)
    organization: str = Field(max_length=80)
    stage: str = Field(max_length=32)
    since: str = Field(max_length=10)
    urgent: bool
    focus: str = Field(max_length=120)
    handed_out: bool
    topic: str = Field(default="whose-move", sa_column=Column(String(32), nullable=False, server_default="whose-move"))
    __table_args__ = (
        Index("ix_notice_waiting", "made_at", "id", sqlite_where=WAITING, postgresql_where=WAITING),
        Index("ix_notice_case", "case_number", "made_at"),
    )


class SubscriptionRow(SQLModel, table=True):
    """One subscription: what the client asked for, how far its events were sent, and who sends at the moment.

    `organisation` is whose it is, and empty while access control is off. Times that end in `_at_s` are seconds since
    1970 by the clock of the database.
    """

    __tablename__ = "subscription"
    id: str = Field(primary_key=True, max_length=64)
    version: int
    last_updated: str = Field(max_length=32)
    status: str = Field(max_length=16)
    error: str = Field(max_length=255)
    body: str = Field(sa_column=Column(Text, nullable=False))
    headers: str = Field(sa_column=Column(Text, nullable=False))
    base_url: str = Field(max_length=255)
    last_event: int
    sent_event: int
    failures: int
    next_try_at_s: float
    heartbeat_at_s: float | None
    ends_at_s: float | None
    leased_by: str = Field(max_length=64)
    leased_until_s: float
    timeout_s: int
    deleted: bool
    organisation: str = Field(default="", sa_column=Column(String(80), nullable=False, server_default=""))


class SubscriptionEventRow(SQLModel, table=True):
    """A notice as the event of that number of a subscription; numbers begin with 1 and have no gap."""

    __tablename__ = "subscription_event"
    subscription_id: str = Field(primary_key=True, max_length=64)
    number: int = Field(primary_key=True)
    notice_id: str = Field(max_length=64, index=True)
