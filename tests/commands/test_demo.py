"""`airway-relay demo` stays up with a board of invented cases at different stages, and says where it is."""

from __future__ import annotations

import re
import signal

import httpx

from tests.processes import command_of_ours, lines_until


def test_the_demo_opens_on_a_board_and_says_its_address() -> None:
    with command_of_ours("demo") as running:
        told = "".join(lines_until(running, "Press Ctrl-C"))
        found = re.search(r"(http://127\.0\.0\.1:\d+)/  the board", told)
        assert found, told
        board = httpx.get(f"{found[1]}/", timeout=30).text
        stages = set(re.findall(r'<span class="tag stage">([^<]+)</span>', board))
        assert len(stages) >= 6, stages
        assert httpx.get(f"{found[1]}/physician", timeout=30).text.count("Order the efficacy test") == 2
        running.send_signal(signal.SIGINT)
        assert running.wait(20) == 0
