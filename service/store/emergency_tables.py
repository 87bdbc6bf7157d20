"""The table of emergency accesses, which is also the list of those that wait for a review."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Column, Index, Text
from sqlmodel import Field, SQLModel


class EmergencyAccessRow(SQLModel, table=True):
    """One emergency access: who opened it, to which patient or case, why, until when, and who reviewed it.

    `named` is the person by name; `person` is the subject of one who was signed in, and empty for one whom a client named
    and nobody has verified. `case_number` is empty when every case of the patient is open. `reviewed_at` is empty until somebody has looked into it.
    """

    __tablename__ = "emergency_access"
    id: str = Field(primary_key=True, max_length=64)
    opened_at: str = Field(max_length=32)
    expires_at: str = Field(max_length=32)
    client: str = Field(max_length=255)
    organisation: str = Field(max_length=80)
    person: str = Field(max_length=255)
    named: str = Field(max_length=255)
    patient: str = Field(max_length=80)
    case_number: str = Field(max_length=64)
    reason: str = Field(sa_column=Column(Text, nullable=False))
    reviewed_at: str = Field(max_length=32)
    reviewed_by: str = Field(max_length=255)
    note: str = Field(sa_column=Column(Text, nullable=False))
    __table_args__ = (
        Index("ix_emergency_access_asker", "client", "organisation", "opened_at"),
        Index("ix_emergency_access_patient", "patient", "opened_at"),
        Index("ix_emergency_access_reviewed", "reviewed_at", "opened_at"),
    )
