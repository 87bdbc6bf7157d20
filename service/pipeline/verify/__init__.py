"""The verification of the whole record: what is stored held against the audit, and against what it can be made of anew.

Nothing is written. The database is read as of one moment, page by page and case by case; what is kept in memory besides is
of a fixed size. No line that is reported holds anything of a patient: tables, types, ids, versions, columns and case numbers.
"""
