"""The demo bench: an invented garage in late November."""

import json
from importlib.resources import files

from valuer.domain.machine import Machine
from valuer.records.files import machines_in


def demo_bench() -> tuple[str, tuple[Machine, ...]]:
    """What the scenario is, and its ten machines."""
    text = files(__name__).joinpath("bench.json").read_text("utf-8")
    return json.loads(text)["about"], machines_in("bench.json", text.encode())
