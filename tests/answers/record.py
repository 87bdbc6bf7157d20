"""Requests and answers of a service of this tree, written into a file: `python -m tests.answers.record OUT.json.xz`.

Each part runs on a fresh service behind a real server in this process, whose clock stands still. Two recordings are
compared by `python -m tests.answers.compare`. With `.xz` the file is compressed, with any other name it is JSON.
"""

from __future__ import annotations

import argparse
import json
import lzma
import sys
import tempfile
import traceback
from pathlib import Path

from tests.answers.asking import Pair, over_a_socket
from tests.answers.parts import PARTS

Recording = dict[str, list[Pair]]


def written(recording: Recording, file: Path) -> None:
    """Write a recording."""
    data = json.dumps(recording, ensure_ascii=False, indent=0).encode()
    file.write_bytes(lzma.compress(data, preset=9) if file.suffix == ".xz" else data)


def read(file: Path) -> Recording:
    """Read a recording."""
    data = file.read_bytes()
    return json.loads(lzma.decompress(data) if file.suffix == ".xz" else data)


def main() -> int:
    """Record all parts, or those whose names contain a text."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("out", type=Path)
    asked.add_argument("--only", default="", help="the parts whose names contain this")
    options = asked.parse_args()
    recording: Recording = {}
    failed = 0
    for name, part in PARTS.items():
        if options.only not in name:
            continue
        with tempfile.TemporaryDirectory(prefix="relay-answers-") as folder:
            try:
                recording[name] = part(Path(folder), over_a_socket)
            except Exception:
                failed += 1
                recording[name] = []
                print(f"{name}: could not be recorded\n{traceback.format_exc()}", file=sys.stderr)
        print(f"{len(recording[name]):5} {name}")
    written(recording, options.out)
    print(f"{sum(map(len, recording.values()))} requests in {options.out} ({options.out.stat().st_size} bytes)")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
