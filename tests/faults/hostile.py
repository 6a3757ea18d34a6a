"""Six callers who send hostile bodies, one who asks a plain question among them, and a watch on the memory."""

from __future__ import annotations

import http.client
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from statistics import median

from tests.bad_files.hostile import hostile_csv, hostile_json
from tests.faults.serving import Caller, Running

CALLERS, BODY, FILE = 6, 2_000_000, 25_000_000
ROUTES = (
    "valuations", "work-lists", "purchase-limits", "repair-quotes", "bench-plans", "bench-rankings",
    "asking-prices", "offers", "listings", "read/figures", "read/machines", "machines", "sales", "entrance",
)  # fmt: skip
PLAIN = {"machines": [{"id": "m1", "age_years": 6}], "terms": {"month": 5}}
ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Came:
    """What came of it: statuses, the longest refusal, the median of the plain question, memory over rest."""

    statuses: Counter[int] = field(default_factory=Counter)
    longest_s: float = 0.0
    longest: str = ""
    plain_s: float = 0.0
    memory_mb: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)


def hostile_bodies(running: Running, seed: int, bombs: int) -> Came:
    """Send so many bodies, six at a time; rest is the memory once the plain question has been answered ten times."""
    came, plain = Came(), []
    for _ in range(10):
        _plain(running)
    rest = running.memory()
    threads = [
        threading.Thread(target=_one, args=(running.port, seed + number, bombs // CALLERS, came), daemon=True)
        for number in range(CALLERS)
    ]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        plain.append(_plain(running))
        came.memory_mb = max(came.memory_mb, (running.memory() - rest) / 1000)
    came.plain_s = median(plain)
    return came


def _plain(running: Running) -> float:
    """Seconds that a plain question takes."""
    with Caller(running.port) as caller:
        began = time.perf_counter()
        caller.ask("POST", "/v1/valuations", PLAIN)
        return time.perf_counter() - began


def _one(port: int, seed: int, bombs: int, came: Came) -> None:
    for number, hostile in enumerate(islice(hostile_json(seed, BODY), bombs)):
        route = ROUTES[number % len(ROUTES)]
        with Caller(port) as caller:  # anew: making the next body takes longer than one is kept open
            began = time.perf_counter()
            try:
                status = caller.ask("POST", f"/v1/{route}", hostile.data).status
            except (OSError, http.client.HTTPException):
                status = 0
            took = time.perf_counter() - began
        with came.lock:
            came.statuses[status] += 1
            if took > came.longest_s:
                came.longest_s, came.longest = took, f"{status} {route}: {hostile.name}"


REFUSE = """
import re, sys
from pathlib import Path
from valuer.records.book_files import book_in
from valuer.records.files import BadFile, bytes_of, machines_in, text_in

def peak():
    return int(re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())[1]) / 1000

path = sys.argv[1]
rest = peak()
name = Path(path).name
for read in (machines_in, lambda name, data: book_in(name, text_in(name, data))):
    try:
        read(name, bytes_of(path, name))
    except BadFile:
        pass
print(peak() - rest)
"""


def hostile_files(seed: int, files: int) -> tuple[int, float]:
    """How many files were read in two ways, each by a process of its own, and the most memory of one in MB."""
    makers = {"bomb.json": hostile_json(seed, FILE), "bomb.csv": hostile_csv(seed, FILE)}
    most = 0.0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(files):
            name, maker = list(makers.items())[number % 2]
            path = Path(folder) / name
            path.write_bytes(next(maker).data)
            command = [sys.executable, "-c", REFUSE, str(path)]
            ran = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
            most = max(most, float(ran.stdout))
    return files, most
