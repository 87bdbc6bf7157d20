"""Takes messages in and answers questions about cases."""

from service.pipeline.pipeline import Pipeline

__all__ = ["Pipeline"]
