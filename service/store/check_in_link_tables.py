"""The table of links by which a patient checks in."""

# pyright: reportCallIssue=false, reportGeneralTypeIssues=false, reportArgumentType=false, reportAssignmentType=false
# (the table=True of SQLModel classes is not known to the type checker)

from __future__ import annotations

from sqlmodel import Field, SQLModel


class CheckInLinkRow(SQLModel, table=True):
    """One link, known by the hash of its secret; at most one of a case is neither revoked nor expired."""

    __tablename__ = "check_in_link"
    sha256: str = Field(primary_key=True, max_length=64)
    case_number: str = Field(max_length=64, index=True)
    made_at: str = Field(max_length=32)
    expires_at: str = Field(max_length=32)
    uses: int
    revoked: bool
