"""The independent validator: a small Java program, built once with Maven and run over many lines at once."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.fhir.json_text import load, write

HERE = Path(__file__).parent
DEFINITIONS = HERE.parent.parent / "profiles"
_BUILD = HERE / "build"
_SOURCES = (HERE / "pom.xml", *sorted((HERE / "src/main/java/relay").glob("*.java")))
_SECONDS = 900
_QUICK = ("-XX:TieredStopAtLevel=1", "-XX:+UseParallelGC", "-Xms1g")
"""For a run of seconds: the second compiler of the virtual machine would cost more time than it saves."""
_LACKS = {
    "release version 17 not supported": "Java 17",
    "Could not resolve": "its libraries, which are not on this machine and could not be fetched",
    "Could not transfer": "its libraries, which are not on this machine and could not be fetched",
}


class NotHere(Exception):
    """What the validator needs and this machine does not have."""


@dataclass(frozen=True, slots=True)
class Line:
    """A resource to validate: against base R4, and against a profile if one is named."""

    id: str
    profile: str | None
    resource: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the validator said of a line. `errors` are its messages of severity error or fatal, with their places."""

    id: str
    valid: bool
    errors: tuple[str, ...]


def missing_tool() -> str | None:
    """The program of Java or Maven that is not on this machine, if any."""
    return next((name for name in ("java", "mvn") if shutil.which(name) is None), None)


def build() -> None:
    """Compile the program and copy its libraries, unless that was done since its sources last changed.

    Works without a network once the libraries are in the local Maven repository. Raises NotHere when they are
    not and cannot be fetched, or when Java is too old.
    """
    made = _BUILD / "classes/relay/ReferenceCheck.class"
    if made.exists() and made.stat().st_mtime >= max(f.stat().st_mtime for f in _SOURCES):
        return
    command = ["mvn", "-q", "-B", "compile"]
    offline = subprocess.run([*command, "-o"], cwd=HERE, capture_output=True, text=True, timeout=_SECONDS)
    if offline.returncode:
        said = _built_online(command) and _built_online(command)  # a library just fetched may not be whole at once
        if said:
            raise RuntimeError(f"the reference validator could not be built:\n{said[-2000:]}")
    made.touch()


def _built_online(command: list[str]) -> str:
    """What Maven said when it failed; empty when it did not. Raises NotHere for what this machine lacks."""
    online = subprocess.run(command, cwd=HERE, capture_output=True, text=True, timeout=_SECONDS)
    said = online.stdout + online.stderr
    lacks = next((what for sign, what in _LACKS.items() if sign in said), None)
    if online.returncode and lacks:
        raise NotHere(lacks)
    return (said or "it said nothing") if online.returncode else ""


def verdicts(lines: Iterable[Line], folder: Path) -> dict[str, Verdict]:
    """The verdict on every line, by id, from one run of the program; `folder` holds its input. Raises NotHere."""
    build()
    asked = folder / "lines.ndjson"
    count = 0
    with asked.open("w") as stream:
        for line in lines:
            stream.write(write({"id": line.id, "profile": line.profile, "resource": line.resource}) + "\n")
            count += 1
    path = f"{_BUILD / 'classes'}:{_BUILD / 'lib'}/*"
    command = ["java", *_QUICK, "-cp", path, "relay.ReferenceCheck", str(DEFINITIONS), str(asked)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=_SECONDS)
    if done.returncode:
        raise RuntimeError(f"the reference validator stopped:\n{done.stderr[-2000:]}")
    found = [_verdict(load(text)) for text in done.stdout.splitlines()]
    if len({v.id for v in found}) != count:
        raise RuntimeError(f"{count} lines were asked and {len(found)} answered")
    return {v.id: v for v in found}


def _verdict(said: dict[str, Any]) -> Verdict:
    errors = tuple(
        f"{i.get('location') or '-'}: {i['message']}" for i in said["issues"] if i["severity"] in ("error", "fatal")
    )
    return Verdict(said["id"], said["valid"], errors)
