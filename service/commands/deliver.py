"""`airway-relay deliver`: send notices apart from the web process, from the same database."""

from __future__ import annotations

import os
import signal
import sys
import threading

from sqlalchemy.exc import SQLAlchemyError

from service.access.sealing import Seal
from service.outbound.senders import HttpSender
from service.pipeline.delivery import Deliverer, wait_for
from service.settings import Settings, SettingsError
from service.store.caller import ALL_SEEING
from service.store.engine import Database
from service.web.log_lines import log_as_json


def deliver() -> int:
    """Run until stopped. Logs go to standard error, without addresses or secrets."""
    try:
        settings = Settings.from_environment(os.environ)
        database = Database(settings.database_url, settings.partitions).seen_by(ALL_SEEING)
    except SettingsError as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    except SQLAlchemyError as error:
        print(f"airway-relay: the database cannot be used ({type(error).__name__}); see DATABASE_URL.", file=sys.stderr)
        return 2
    log_as_json()
    stop = threading.Event()
    for name in (signal.SIGTERM, signal.SIGINT):
        signal.signal(name, lambda *_: stop.set())
    threads = Deliverer(database, HttpSender(settings.egress), Seal(settings.seal_key_file)).run(stop)
    stop.wait()
    wait_for(threads)
    database.close()
    return 0
