"""Kill the server again and again while it is written to, and count what is there afterwards."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass

from tests.faults.serving import Caller, House
from tests.faults.writing import Ledger, found, write_until_gone


@dataclass(frozen=True)
class Outcome:
    """What came of it: kills, posts acknowledged, of them missing, done twice, sent again, refused."""

    kills: int
    acknowledged: int
    missing: int
    twice: int
    sent_again: int
    refused: int


def kill_again_and_again(house: House, kills: int, seed: int = 7) -> Outcome:
    """Each life of the server: what the last one left in doubt is sent again, four writers write, then `kill -9`."""
    ledger, moments, sent_again = Ledger(), random.Random(seed), 0
    for life in range(kills):
        running = house.start()
        sent_again += _again(running.port, ledger)
        writers = write_until_gone(running.port, ledger, f"l{life}")
        time.sleep(moments.uniform(0.05, 0.6))
        running.kill()
        for writer in writers:
            writer.join(timeout=20)
    with house.serving() as running:
        sent_again += _again(running.port, ledger)
        there = found(running.port)
    missing = ledger.acknowledged - there.done
    return Outcome(
        kills, len(ledger.acknowledged), len(missing), len(there.twice), sent_again, len(ledger.refused)
    )


def _again(port: int, ledger: Ledger) -> int:
    with Caller(port) as caller:
        return ledger.send_again(caller)
