"""The tables. Typed columns for what is looked up; resources and facts as JSON text."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Boolean, Column, Index, LargeBinary, String, Text, false, text
from sqlmodel import Field, SQLModel

_OPEN = {f"{kind}_where": text("whose_move != 'nobody'") for kind in ("sqlite", "postgresql")}
"""Cases in which it is somebody's move: a partial index holds them alone."""


class ResourceVersion(SQLModel, table=True):
    """Every version of every resource, appended and never changed. The current one has the highest version.

    Two writers of the same next version collide on the primary key: no update is lost, no version skipped.
    """

    __tablename__ = "resource_version"
    type: str = Field(primary_key=True, max_length=32)
    id: str = Field(primary_key=True, max_length=64)
    version: int = Field(primary_key=True)
    case_number: str = Field(max_length=64)
    last_updated: str = Field(max_length=32)
    body: str = Field(sa_column=Column(Text, nullable=False))
    deleted: bool = Field(default=False, sa_column=Column(Boolean, nullable=False, server_default=false()))
    __table_args__ = (
        Index("ix_resource_version_case", "case_number", "type", "id"),
        Index("ix_resource_version_updated", "type", "last_updated", "id", "version"),
    )


class Identity(SQLModel, table=True):
    """Business identifiers: what makes a repeated post the same resource. `revision` orders corrections.

    `scope` is the organisation that gave it, so that nobody learns from a refusal which patients of others are here;
    empty for what is everybody's, and while access control is off.
    """

    __tablename__ = "identity"
    type: str = Field(primary_key=True, max_length=32)
    system: str = Field(primary_key=True, max_length=255)
    value: str = Field(primary_key=True, max_length=255)
    scope: str = Field(default="", primary_key=True, max_length=80)
    id: str = Field(max_length=64)
    revision: int


class SearchValue(SQLModel, table=True):
    """What the current version of each resource is found by: one row per value of a declared search parameter.

    The primary key answers every search by equality in the order of ids; `ends` is filled for dates alone.
    """

    __tablename__ = "search_value"
    type: str = Field(primary_key=True, max_length=32)
    param: str = Field(primary_key=True, max_length=48)
    value: str = Field(primary_key=True, max_length=256)
    id: str = Field(primary_key=True, max_length=64)
    part: str = Field(primary_key=True, max_length=256)
    ends: str | None = Field(default=None, max_length=32)
    case_number: str = Field(max_length=64)
    __table_args__ = (
        Index("ix_search_value_resource", "type", "id"),
        Index("ix_search_value_ends", "type", "param", "ends", "id"),
    )


class SearchIndex(SQLModel, table=True):
    """By which parameters the resources of a type are indexed, and how far an indexing anew has come."""

    __tablename__ = "search_index"
    type: str = Field(primary_key=True, max_length=32)
    digest: str = Field(max_length=32)
    after: str | None = Field(default=None, max_length=64)


class CaseRow(SQLModel, table=True):
    """One case: its parties, where it stands, and what the next decision needs of the last one."""

    __tablename__ = "case_row"
    case_number: str = Field(primary_key=True, max_length=64)
    patient: str = Field(max_length=80, index=True)
    referral: str = Field(max_length=80)
    task: str = Field(max_length=80)
    physician: str | None = Field(default=None, max_length=80)
    dental_office: str | None = Field(default=None, max_length=80)
    opened_at: str = Field(max_length=32)
    changed_at: str = Field(max_length=32)
    decided_on: str = Field(max_length=10)
    stage: str = Field(max_length=32)
    whose_move: str = Field(max_length=32)
    waiting_since: str = Field(max_length=10)
    outcome: str = Field(max_length=32)
    urgent: bool
    summary: str = Field(sa_column=Column(Text, nullable=False))
    derived: str = Field(sa_column=Column(Text, nullable=False))
    overdue_from: str | None = Field(default=None, max_length=10)
    replaces: str | None = Field(default=None, max_length=64, index=True)
    recorded_on: str = Field(default="", sa_column=Column(String(10), nullable=False, server_default=""))
    facts_shape: str = Field(default="", sa_column=Column(String(32), nullable=False, server_default=""))
    __table_args__ = (
        Index("ix_case_row_overdue", "overdue_from", "case_number"),
        Index("ix_case_row_waiting", "waiting_since", "case_number"),
        Index("ix_case_row_worklist", "whose_move", "waiting_since", "case_number"),
        Index("ix_case_row_open", "waiting_since", "case_number", **_OPEN),
        Index("ix_case_row_stage", "stage", "waiting_since", "case_number"),
        Index("ix_case_row_stage_mover", "stage", "whose_move", "waiting_since", "case_number"),
        Index("ix_case_row_urgent", "urgent", "waiting_since", "case_number"),
        Index("ix_case_row_decided", "decided_on"),
        Index("ix_case_row_facts_shape", "facts_shape", "case_number"),
    )


class FactRow(SQLModel, table=True):
    """The valid facts of a case, one row per resource they were read from; `spent` when decisions no longer read it."""

    __tablename__ = "fact"
    case_number: str = Field(primary_key=True, max_length=64)
    type: str = Field(primary_key=True, max_length=32)
    id: str = Field(primary_key=True, max_length=64)
    version: int
    content: str = Field(sa_column=Column("small", Text, nullable=False))
    spent: bool = Field(default=False, sa_column=Column(Boolean, nullable=False, server_default=false()))
    __table_args__ = (Index("ix_fact_spent", "case_number", "spent"),)


class CaseParty(SQLModel, table=True):
    """An organisation (`Organization/id`) that is a party to a case, and as what."""

    __tablename__ = "case_party"
    case_number: str = Field(primary_key=True, max_length=64)
    organisation: str = Field(primary_key=True, max_length=80)
    part: str = Field(primary_key=True, max_length=16)
    __table_args__ = (Index("ix_case_party_organisation", "organisation", "case_number"),)


class ResourceParty(SQLModel, table=True):
    """An organisation that sees a resource of no case, or that wrote one which only its writer changes."""

    __tablename__ = "resource_party"
    type: str = Field(primary_key=True, max_length=32)
    id: str = Field(primary_key=True, max_length=64)
    organisation: str = Field(primary_key=True, max_length=80)
    wrote: bool = Field(default=False, sa_column=Column(Boolean, nullable=False, server_default=false()))
    __table_args__ = (Index("ix_resource_party_organisation", "organisation", "type", "id"),)


class MessageRow(SQLModel, table=True):
    """Every accepted message, exactly as received."""

    __tablename__ = "message"
    id: str = Field(primary_key=True, max_length=64)
    received_at: str = Field(max_length=32)
    channel: str = Field(max_length=64)
    case_number: str = Field(max_length=64, index=True)
    sha256: str = Field(max_length=64)
    body: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
