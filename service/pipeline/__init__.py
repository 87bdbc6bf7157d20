"""The story of a message: receive, map, validate, store, decide, in one transaction."""

from service.pipeline.answers import Answer, Outcome
from service.pipeline.pipeline import Pipeline
from service.store.resources import Stored

__all__ = ["Answer", "Outcome", "Pipeline", "Stored"]
