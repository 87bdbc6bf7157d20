"""The tables of the audit chain: every AuditEvent as a link, and where each chain ends."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Index
from sqlmodel import Field, SQLModel


class AuditLinkRow(SQLModel, table=True):
    """One AuditEvent as a link of a chain; numbers begin with 1 and have no gap.

    `hash` is SHA-256 over the hash before it and the whole AuditEvent as it is stored.
    """

    __tablename__ = "audit_chain"
    chain: int = Field(primary_key=True)
    number: int = Field(primary_key=True)
    event: str = Field(max_length=64)
    hash: str = Field(max_length=64)
    __table_args__ = (Index("ix_audit_chain_event", "event", unique=True),)


class AuditHeadRow(SQLModel, table=True):
    """The last link of a chain: its number and hash; 0 and no hash for an empty chain."""

    __tablename__ = "audit_head"
    chain: int = Field(primary_key=True)
    number: int
    hash: str = Field(max_length=64)
