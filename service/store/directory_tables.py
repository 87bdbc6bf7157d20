"""The tables of the governed directory: registered organisations, the numbers bound to them, and what waits for a binding."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Column, Index, Text
from sqlmodel import Field, SQLModel


class OrganisationRow(SQLModel, table=True):
    """An organisation that the operator registered, by its resource (`Organization/id`), and its name as the operator typed it.

    `written_at` is empty until its resource tells the operator's name and numbers.
    """

    __tablename__ = "organisation"
    reference: str = Field(primary_key=True, max_length=80)
    name: str = Field(sa_column=Column(Text, nullable=False))
    added_at: str = Field(max_length=32)
    written_at: str = Field(max_length=32)


class BindingRow(SQLModel, table=True):
    """A number that stands for a registered organisation when a sender uses it; `sender` is empty for every sender.

    `kind` is the type of resource that bears the number: Organization, or Practitioner for who acts for one.
    """

    __tablename__ = "binding"
    kind: str = Field(primary_key=True, max_length=32)
    system: str = Field(primary_key=True, max_length=255)
    value: str = Field(primary_key=True, max_length=255)
    sender: str = Field(primary_key=True, max_length=80)
    organisation: str = Field(max_length=80, index=True)
    bound_at: str = Field(max_length=32)


class WaitingPartyRow(SQLModel, table=True):
    """A party that a case names and that no binding leads to an organisation: one row for each number it was named by.

    `kind`, `system` and `value` are empty when it is named by no number at all. `sender` is who named it.
    """

    __tablename__ = "waiting_party"
    case_number: str = Field(primary_key=True, max_length=64)
    part: str = Field(primary_key=True, max_length=16)
    reference: str = Field(primary_key=True, max_length=80)
    kind: str = Field(primary_key=True, max_length=32)
    system: str = Field(primary_key=True, max_length=255)
    value: str = Field(primary_key=True, max_length=255)
    sender: str = Field(max_length=80)
    since: str = Field(max_length=32)
    __table_args__ = (Index("ix_waiting_party_number", "kind", "system", "value"),)


class SuspendedPartyRow(SQLModel, table=True):
    """A party of a case that no binding bears out, kept apart from the parties until the operator accepts it."""

    __tablename__ = "suspended_party"
    case_number: str = Field(primary_key=True, max_length=64)
    organisation: str = Field(primary_key=True, max_length=80)
    part: str = Field(primary_key=True, max_length=16)
