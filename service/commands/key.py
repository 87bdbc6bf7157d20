"""`airway-relay key rotate`: the service's own signing keys."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from service.access.signing import KeyFileError, rotate
from service.settings import Settings, SettingsError


def rotate_keys() -> int:
    """Put a new key first in the key file; running services take it up within seconds."""
    try:
        path = Path(Settings.from_environment(os.environ).access.key_file)
        kid = rotate(path, time.time())
    except (SettingsError, KeyFileError) as error:
        print(f"airway-relay: {error}", file=sys.stderr)
        return 2
    print(f"{path}: tokens are signed with key {kid} from now on; those signed before hold until they expire.")
    return 0
