"""A second invented market that shares no formula with the first: a price list, age bands, sums taken off.

Buyers here start from the price of a comparable new machine, drop to a share of it that falls with age and
once more at five and ten years, and take sums of money off for the faults: the largest whole, the others in
part. A machine that does not run, or may not be sold as working, brings at most a share of its sound price.
Each shifted market draws its own level, fall, sums, taste for each fault and patience with wrecks. Shares and
sums centre on a repairer's tables (common practice, no source).
"""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from valuer.domain.faults import Fault, fault_catalogue
from valuer.domain.machine import Finding, Machine, lacks

TIERS = {"budget": 0.28, "mid": 0.45, "premium": 0.24, "commercial": 0.03}
DRIVES = {
    "push": 0.35,
    "front_one_speed": 0.1,
    "front_variable": 0.1,
    "rear_variable": 0.38,
    "all_wheel": 0.07,
}
NEW = {"budget": 290.0, "mid": 440.0, "premium": 750.0, "commercial": 1400.0}
DRIVE_NEW = {
    "push": 0.75,
    "front_one_speed": 0.84,
    "front_variable": 0.92,
    "rear_variable": 1.0,
    "all_wheel": 1.15,
}
AGES = (0.5, 2.0, 3.5, 5.5, 7.5, 10.0, 13.0, 17.0)
CLIFFS = (5.0, 10.0)
KEPT = {
    "budget": (0.64, 0.51, 0.42, 0.33, 0.28, 0.22, 0.17, 0.13),
    "mid": (0.72, 0.59, 0.5, 0.41, 0.34, 0.28, 0.22, 0.17),
    "premium": (0.79, 0.68, 0.6, 0.51, 0.44, 0.37, 0.3, 0.23),
    "commercial": (0.74, 0.6, 0.48, 0.38, 0.31, 0.25, 0.19, 0.15),
}
UNKNOWN_AGE = 7.0
LOOKS = {"bright": 1.0, "scuffed": 0.96, "scarred": 0.87}
UNKNOWN_AGE = 7.0
USUAL = 190.0
NOISE = 0.2
"""Standard deviation of the log price between sales of the same machine."""


@cache
def sums_off() -> dict[str, list[float]]:
    """Money off a machine of about 190, slight and serious, by fault."""
    text = (Path(__file__).parent / "second_market.toml").read_text("utf-8")
    return tomllib.loads(text)


@dataclass(frozen=True)
class SecondMarket:
    """One shifted market; ``taste`` multiplies the sum taken off for each fault."""

    level: float
    fall: float
    sums: float
    grows: float
    taste: dict[str, float]
    rest: float
    dead_share: float
    unsafe_share: float
    may: float
    cliff: float

    def log_price(self, machine: Machine, found: Sequence[Finding], month: int) -> float:
        """Mean log price of the machine with these faults on it."""
        sound = self.sound(machine, month)
        off = sorted((self._off(finding, sound) for finding in found), reverse=True)
        worth = sound - (off[0] + self.rest * sum(off[1:]) if off else 0.0)
        if any(finding.fault == "no_start" for finding in found):
            worth = min(worth, self.dead_share * sound)
        if any(fault_catalogue()[f.fault].must_be_cured(f.severity) for f in found):
            worth = min(worth, self.unsafe_share * sound)
        bottom = 12.0 * self.level + 0.08 * sound
        return float(np.log(bottom + np.logaddexp(0.0, (worth - bottom) / 12.0) * 12.0))

    def sound(self, machine: Machine, month: int) -> float:
        """Price of the machine without a fault."""
        tier = machine.tier or "mid"
        new = machine.new_price or NEW[tier] * DRIVE_NEW[machine.drive or "push"]
        age = machine.age_years if machine.age_years is not None else UNKNOWN_AGE
        kept = float(np.interp(age, AGES, KEPT[tier])) ** self.fall
        kept *= np.prod([1.0 - self.cliff for cliff in CLIFFS if age >= cliff])
        season = 1.0 + self.may * (np.cos((month - 5) / 12 * 2 * np.pi) - 1.0)
        return float(self.level * new * kept * LOOKS[machine.looks or "scuffed"] * season)

    def _off(self, finding: Finding, sound: float) -> float:
        usual = sums_off()[finding.fault][finding.severity == "serious"] * self.taste[finding.fault]
        return float(self.sums * self.level * usual * (sound / self.level / USUAL) ** self.grows)


def shifted(seed: int | Sequence[int]) -> SecondMarket:
    """The market of a seed."""
    rng = np.random.default_rng(seed)
    return SecondMarket(
        level=float(np.exp(rng.normal(0.0, 0.25))),
        fall=float(np.exp(rng.normal(0.0, 0.2))),
        sums=float(np.exp(rng.normal(0.0, 0.3))),
        grows=float(rng.uniform(0.4, 0.9)),
        taste={fault: float(np.exp(rng.normal(0.0, 0.25))) for fault in fault_catalogue()},
        rest=float(rng.uniform(0.6, 0.9)),
        dead_share=float(rng.uniform(0.22, 0.4)),
        unsafe_share=float(rng.uniform(0.3, 0.6)),
        may=float(rng.uniform(0.06, 0.14)),
        cliff=float(rng.uniform(0.0, 0.12)),
    )


def draw_machines(count: int, seed: int | Sequence[int], most_faults: int = 6) -> list[Machine]:
    """Invented machines on a repairer's bench: older ones have more faults."""
    rng = np.random.default_rng(seed)
    return [_machine(f"m{number}", rng, most_faults) for number in range(count)]


def _machine(name: str, rng: np.random.Generator, most: int) -> Machine:
    tier = str(rng.choice(list(TIERS), p=list(TIERS.values())))
    drive = str(rng.choice(list(DRIVES), p=list(DRIVES.values())))
    age = float(np.round(np.clip(rng.gamma(3.0, 2.2), 0.3, 22.0), 1))
    new = NEW[tier] * DRIVE_NEW[drive] * np.exp(rng.normal(0.0, 0.12))
    told = {
        "tier": tier,
        "drive": drive,
        "age_years": age,
        "new_price": float(np.round(new)),
        "looks": str(rng.choice(["bright", "scuffed", "scarred"], p=[0.35, 0.45, 0.2])),
        "engine_class": "mid_ohv",
        "start": "rope",
        "deck_material": "steel",
        "deck_width_in": 21.0,
    }
    bare = Machine.model_validate({"id": name} | told)
    drawn = [fault for fault in fault_catalogue().values() if _has(fault, bare, age, rng)]
    rng.shuffle(drawn)
    faults = [f"{fault.id}:{rng.choice(fault.severities)}" for fault in drawn[:most]]
    return Machine.model_validate(bare.model_dump(exclude_unset=True) | {"faults": faults})


def _has(fault: Fault, bare: Machine, age: float, rng: np.random.Generator) -> bool:
    """Half of what stands on offer shows up at a closer look, more of it with age."""
    chance = 0.5 * sum(fault.listed) / 2 * (0.4 + age / 10.0)
    return bool(rng.random() < chance) and fault.must_cure != "block" and not lacks(bare, fault)
