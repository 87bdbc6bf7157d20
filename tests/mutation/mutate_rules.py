"""Changes the clinical rules in small ways and counts how many changes the rule tests notice.

    python -m tests.mutation.mutate_rules --sample 300          # a seeded sample
    python -m tests.mutation.mutate_rules --only visits.py      # every change of some files

Each change ("mutant") alters one comparison, boundary, number, sum, `and`/`or`, `not`, `True`/`False` or
returned value (a returned constant is altered as a constant). Text of sentences is not changed. A run first records which tests reach which line; a mutant
is then shown to the tests that reach its line, those of its own test file first and the slow ones last, and is
killed by the first that fails. The last line printed is killed/total; before it stand the survivors with file,
line and change. Survivors and progress are told on stderr as the run goes on.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import importlib.abc
import importlib.util
import io
import multiprocessing
import multiprocessing.pool
import os
import random
import resource
import signal
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from tests.mutation.mutants import Mutant, changed, mutants_of
from tests.short_run import make_long

ROOT = Path(__file__).resolve().parents[2]
RULES = ROOT / "service" / "rules"
TESTS = "tests/rules"
SLOW = (
    "test_properties.py",
    "test_sentences.py",
    "test_needed.py",
    "test_needed_exactly.py",
    "test_state_walk.py",
    "test_second_opinion.py",
    "test_second_judgement.py",
    "test_derived_flag_rate.py",
)
UNTRACED = {"statistics.py": "test_statistics.py"}
QUIET = [
    "-q",
    "-x",
    "--no-header",
    "--tb=no",
    "--noconftest",
    "-p",
    "no:cacheprovider",
    "-m",
    "",
    "-p",
    "no:warnings",
    "--hypothesis-seed=0",
]
SECONDS_FOR_A_MUTANT = 90
BYTES_FOR_A_MUTANT = 3 * 1024**3


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module of the rules from its changed tree, the others as they are."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = f"service.rules.{mutant.file.removesuffix('.py').replace('/', '.')}"
        self.path = RULES / mutant.file
        self.tree = changed(self.path.read_text(), mutant)

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> Any:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.path))

    def exec_module(self, module: Any) -> None:
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


class _Reach:
    """Which quick tests run which lines of the rules; imports count for every test."""

    def __init__(self) -> None:
        self.tests_of: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.current: str | None = None

    def trace(self, frame: FrameType, event: str, argument: Any) -> Any:
        file = frame.f_code.co_filename
        if not file.startswith(str(RULES)) or os.path.basename(file) in UNTRACED:
            return None
        if event == "line" and self.current:
            self.tests_of[(file.removeprefix(f"{RULES}/"), frame.f_lineno)].add(self.current)
        return self.trace

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Iterator[None]:
        self.current = item.nodeid
        sys.settrace(self.trace)
        yield
        sys.settrace(None)
        self.current = None


def _quick_arguments() -> list[str]:
    return [TESTS, *(f"--ignore={TESTS}/{name}" for name in SLOW)]


def _run(arguments: list[str], *plugins: object) -> int:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return int(pytest.main(arguments, plugins=list(plugins)))


def _reach_in_a_child(pipe: Any) -> None:
    reach = _Reach()
    code = _run([*QUIET, *_quick_arguments()], reach)
    pipe.send((code, dict(reach.tests_of)))


def _tests_for(mutant: Mutant, reach: dict[tuple[str, int], set[str]]) -> list[str]:
    own = UNTRACED.get(mutant.file)
    return [f"{TESTS}/{own}"] if own else sorted(reach.get((mutant.file, mutant.line), set()))


def _nearest(mutant: Mutant, tests: list[str]) -> list[str]:
    """Those of the tests that fail first, as a rule: in the files named after the mutant's, or the file with most of them."""
    stem = Path(mutant.file).stem
    if not tests:
        return [str(p.relative_to(ROOT)) for p in sorted((ROOT / TESTS).glob(f"test_{stem}*.py"))]
    own = [t for t in tests if t.startswith(f"{TESTS}/test_{stem}")]
    files = Counter(t.split("::")[0] for t in tests)
    most = max(files, key=lambda file: (files[file], file))
    return own or [t for t in tests if t.startswith(f"{most}::")]


def _judge(mutant: Mutant, tests: list[str], pipe: Any) -> None:
    """In a process of its own: report whether the change is noticed."""
    # of computing time: on a busy machine a slow run must not pass for one that never ends
    signal.setitimer(signal.ITIMER_PROF, SECONDS_FOR_A_MUTANT)
    resource.setrlimit(resource.RLIMIT_AS, (BYTES_FOR_A_MUTANT, BYTES_FOR_A_MUTANT))
    sys.meta_path.insert(0, _Changed(mutant))
    rounds = [_nearest(mutant, tests), tests if 0 < len(tests) <= 400 else _quick_arguments()]
    noticed = any(_run([*QUIET, *chosen]) != 0 for chosen in rounds if chosen)
    if not noticed:
        noticed = _run([*QUIET, *(f"{TESTS}/{name}" for name in SLOW)]) != 0
    pipe.send(noticed)


def _in_a_child(target: Any, *arguments: Any) -> Any:
    """What `target` sends; None when it died first, as a mutant that never ends or breaks the import does."""
    context = multiprocessing.get_context("fork")
    mine, its = context.Pipe(duplex=False)
    child = context.Process(target=target, args=(*arguments, its))
    child.start()
    its.close()
    try:
        return mine.recv()
    except EOFError:
        return None
    finally:
        child.join()


def _work(job: tuple[Mutant, list[str]]) -> tuple[Mutant, bool]:
    noticed = _in_a_child(_judge, *job)
    return job[0], noticed is not False


def main() -> int:
    """Run the mutants asked for; 0 when at least 95 % are killed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sample", type=int, help="how many mutants, drawn by the seed; all without it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=[], help="file names inside service/rules")
    asked = parser.parse_args()
    os.chdir(ROOT)
    make_long()
    names = sorted(str(p.relative_to(RULES)) for folder in ("", "judging/") for p in RULES.glob(f"{folder}*.py"))
    chosen = [n for n in names if not asked.only or n in asked.only or Path(n).name in asked.only]
    mutants = [m for name in chosen for m in mutants_of(RULES / name, name)]
    if asked.sample and asked.sample < len(mutants):
        mutants = sorted(random.Random(asked.seed).sample(mutants, asked.sample), key=lambda m: (m.file, m.place))
    answer = _in_a_child(_reach_in_a_child)
    if answer is None or answer[0] != 0:
        print("the tests fail without any change; nothing was measured")
        return 2
    for heavy in ("hypothesis", "hypothesis.strategies", "scipy.stats"):
        importlib.import_module(heavy)
    reach: dict[tuple[str, int], set[str]] = answer[1]
    jobs = [(m, _tests_for(m, reach)) for m in mutants]
    survivors: list[Mutant] = []
    with multiprocessing.pool.ThreadPool(asked.jobs) as pool:
        for done, (mutant, killed) in enumerate(pool.imap_unordered(_work, jobs), 1):
            if not killed:
                survivors.append(mutant)
                print(f"  survived: {mutant.file}:{mutant.line} {mutant.what}", file=sys.stderr, flush=True)
            if done % 25 == 0:
                print(f"  {done} of {len(jobs)} mutants, {len(survivors)} survived", file=sys.stderr, flush=True)
    for one in sorted(survivors, key=lambda m: (m.file, m.line, m.place)):
        print(f"survived: {one.file}:{one.line} {one.what}")
    killed = len(mutants) - len(survivors)
    print(f"killed {killed}/{len(mutants)} ({100 * killed / max(len(mutants), 1):.1f} %)")
    return 0 if killed >= 0.95 * len(mutants) else 1


if __name__ == "__main__":
    sys.exit(main())
