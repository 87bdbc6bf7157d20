"""Airway Relay: a FHIR R4 service between sleep physicians and dentists who treat sleep apnoea."""

__version__ = "0.4.0"
