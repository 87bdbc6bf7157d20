"""The tables of signing in: people, their sessions, links that sign in once."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlalchemy import Index
from sqlmodel import Field, SQLModel


class PersonRow(SQLModel, table=True):
    """One person who may sign in: as whom the sign-in service knows them, and for which office they work.

    `issuer` is empty for whoever signs in by link alone; `offices` are words parted by blanks.
    """

    __tablename__ = "person"
    id: str = Field(primary_key=True, max_length=64)
    issuer: str = Field(max_length=255)
    subject: str = Field(max_length=255)
    name: str = Field(max_length=255)
    offices: str = Field(max_length=64)
    organisation: str = Field(max_length=80)
    revoked: bool
    added_at: str = Field(max_length=32)
    changed_at: str = Field(max_length=32)
    __table_args__ = (Index("ix_person_subject", "issuer", "subject", unique=True),)


class SessionRow(SQLModel, table=True):
    """One session, by the hash of what the browser holds; `expires_at_s` is its end whatever is done with it."""

    __tablename__ = "page_session"
    sha256: str = Field(primary_key=True, max_length=64)
    person: str = Field(index=True, max_length=64)
    created_at_s: float
    seen_at_s: float
    expires_at_s: float = Field(index=True)


class SignInLinkRow(SQLModel, table=True):
    """A link that signs a person in once, by the hash of what stands in it."""

    __tablename__ = "sign_in_link"
    sha256: str = Field(primary_key=True, max_length=64)
    person: str = Field(index=True, max_length=64)
    expires_at_s: float = Field(index=True)
