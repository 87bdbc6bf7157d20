"""What the commands of the operator's registries share: the pipeline on the database, or in one plain line why not."""

from __future__ import annotations

import os
from collections.abc import Callable

from sqlalchemy.exc import SQLAlchemyError

from service.commands.files import complain
from service.commands.with_database import refused
from service.errors import Refused
from service.pipeline import Pipeline
from service.settings import Settings, SettingsError
from service.wiring import build_pipeline


def with_pipeline(name: str, work: Callable[[Pipeline, Settings], int]) -> int:
    """The exit status of `work`; 1, with every problem told under `name`, when it is refused, 2 when it cannot be run."""
    try:
        settings = Settings.from_environment(os.environ)
        pipeline = build_pipeline(settings)
    except SettingsError as error:
        return refused(str(error))
    except SQLAlchemyError as error:
        return refused(f"the database cannot be used ({type(error).__name__}); see DATABASE_URL.")
    try:
        return work(pipeline, settings)
    except Refused as error:
        complain(name, error)
        return 1
    finally:
        pipeline.close()
