"""What is told to a buyer, in a buyer's words: the machine, each fault, each thing that was measured.

No limits of a catalogue, no advice to the seller, nothing that nobody saw. The words are our own.
"""

from collections.abc import Iterator

from valuer.domain.machine import Finding, Machine
from valuer.domain.quantities import worst_blade_stop

KINDS = {"push": "push lawn mower", None: "lawn mower"}
DRIVES = {
    "front_one_speed": "front drive",
    "front_variable": "front drive, variable speed",
    "rear_variable": "rear drive, variable speed",
    "all_wheel": "all-wheel drive",
    "hydrostatic": "hydrostatic drive",
}
ENGINES = {
    "side_valve": "side-valve engine",
    "small_ohv": "overhead-valve engine under 150 cc",
    "mid_ohv": "overhead-valve engine of 150 to 175 cc",
    "large_ohv": "overhead-valve engine over 175 cc",
    "overhead_cam": "overhead-cam engine",
}
FAULTS: dict[str, tuple[str, str]] = {
    "hard_start": ("takes a few pulls when cold", "hard to start cold"),
    "no_start": ("does not keep running, fires on a squirt of fuel", "does not start"),
    "surging": ("engine speed wanders a little, steady under load", "engine speed goes up and down"),
    "dies_hot": ("stalled once when warm, started again", "stalls when warm and has to cool down first"),
    "low_power": ("weak in tall wet grass", "weak, bogs down in ordinary grass"),
    "choke_fault": ("slow to come off choke", "choke sticks, has to be helped by hand"),
    "weak_spark": ("weak spark", "no spark"),
    "sheared_key": ("flywheel key partly sheared, kicks back", "flywheel key sheared"),
    "governor_fault": ("engine a little slow or slow to respond", "engine speed not under control"),
    "recoil_rope": ("starter rope worn", "starter rope broken or does not return"),
    "starter_noise": ("starter ticks when starting or stopping", "starter scrapes while the engine runs"),
    "estart_dead": ("electric start weak", "electric start does not work, the rope does"),
    "fuel_leak_carb": ("carburettor weeps fuel", "carburettor leaks fuel"),
    "fuel_leak_line": ("old fuel line, cracked, dry today", "fuel line or tank leaks"),
    "stale_fuel": ("old fuel in the tank", "tank dirty: water, rust or varnish"),
    "primer_fault": ("primer bulb stiff, still works", "primer bulb does not work"),
    "low_compression": ("compression on the low side", "low compression"),
    "valve_lash_out": ("valve clearance a little out", "valve clearance out"),
    "head_gasket_leak": ("trace of oil at the head gasket", "head gasket leaks"),
    "smoke_blue": ("puff of blue smoke at the start, then clean", "smokes blue, burns oil"),
    "bent_crank": ("crankshaft slightly bent", "crankshaft bent"),
    "rod_knock": ("light knock in the engine", "loud knock in the engine"),
    "oil_contaminated": ("oil black, due for a change", "oil milky or thinned with fuel"),
    "oil_leak_sump": ("damp with oil at the sump joint", "oil leak at the sump joint"),
    "oil_leak_seal": ("damp with oil at the crankshaft seal", "oil leak at the crankshaft seal"),
    "oil_leak_minor": ("damp with oil at a cover or drain", "drips oil at a cover, drain or tube"),
    "oil_leak_unknown": ("damp with oil, source not found", "drips oil, source not found"),
    "drive_none": ("drive works on and off", "drive does not work, push it by hand"),
    "drive_slip": ("drive slips on a slope", "drive slips on the flat"),
    "drive_speed_stuck": ("speed lever stiff", "drive works at one speed only"),
    "drive_creep": ("drive drags when pulled back", "drive does not let go"),
    "stiff_roll": ("a bit stiff to roll", "hard to roll"),
    "wheel_wobble": ("some play in the wheels", "wheels wobble"),
    "wheel_gear_worn": ("teeth of a drive wheel worn, still drives", "a drive wheel skips under load"),
    "height_adjust_broken": ("height lever stiff or one notch gone", "a corner does not hold its height"),
    "blade_dull": ("blade due for sharpening", "blade nicked, tears the grass"),
    "blade_damaged": ("blade worn, to be replaced soon", "blade bent, cracked or worn out"),
    "blade_mount_loose": ("blade mount worn", "blade mount loose"),
    "deck_surface_rust": ("light rust on the deck", "rust flaking inside the deck, no hole"),
    "deck_rust_hole": ("small rust hole in the deck", "deck rusted through"),
    "deck_crack": ("hairline crack in the deck", "deck cracked"),
    "blade_brake_slow": ("blade stops within the limit, on the slow side", "blade stops too slowly"),
    "bail_defeated": ("blade control bar stiff", "blade control bar does not work"),
    "bbc_worn": ("blade clutch drags slightly", "blade clutch worn"),
    "guard_missing": ("guard cracked, still closes", "guard missing or does not close"),
    "handle_loose": ("some play in the handle", "handle cracked or does not lock"),
    "cable_frayed": ("a control cable is stiff", "a control cable is frayed"),
    "muffler_fault": ("muffler blows a little", "muffler loose or holed"),
    "recall_open": ("a recall is open", "a recall is open"),
    "vibration": ("buzz in the handle", "shakes while running"),
    "rattle": ("a cover buzzes", "covers rattle loudly"),
    "dirty": ("dusty", "dirty, grass caked underneath"),
    "paint_faded": ("paint matt with small chips", "paint bare or mismatched in places"),
    "shroud_cracked": ("hairline crack in the engine cover", "a piece of the engine cover is missing"),
    "bag_missing": ("grass bag has a torn seam", "no usable grass bag"),
    "air_filter_bad": ("air filter due for a change", "air filter missing, torn or soaked with oil"),
}
"""(slight, serious) of every fault, as one tells a buyer."""

CHECKS = {
    "recall": "recall lists",
    "bail": "blade control bar",
    "shields": "flap and guards",
    "blade_and_mount": "blade and its bolt",
    "crank": "crankshaft",
    "deck": "deck",
    "drive_releases": "release of the drive",
    "handle": "handle",
    "muffler": "muffler",
}
"""Checks done by eye and hand, as one tells a buyer."""


def title_of(machine: Machine) -> str:
    """Return the machine as buyers search for it, as far as it is known.

    >>> title_of(Machine.model_validate({"id": "a", "drive": "push", "deck_width_in": 20}))
    'Petrol push lawn mower, 20 in'
    """
    kind = KINDS.get(machine.drive, "self-propelled lawn mower")
    name = " ".join(filter(None, (machine.maker, machine.model)))
    first = f"{name} petrol {kind}" if name else f"Petrol {kind}"
    width = f"{machine.deck_width_in:g} in" if machine.deck_width_in is not None else ""
    no_bag = any(item.fault == "bag_missing" and item.severity == "serious" for item in machine.faults)
    parts = (first, width, DRIVES.get(machine.drive or "", ""), "no grass bag" if no_bag else "")
    return ", ".join(filter(None, parts))


def facts_of(machine: Machine) -> list[str]:
    """Return what it is, beyond its title."""
    years = machine.age_years
    dead = any(item.fault == "estart_dead" and item.severity == "serious" for item in machine.faults)
    electric = "rope start" if dead else "electric start"
    return list(
        filter(
            None,
            (
                f"about {counted(round(years) if years >= 1 else years, 'year')} old"
                if years is not None
                else "",
                {"rope": "rope start", "electric": electric}.get(machine.start or "", ""),
                ENGINES.get(machine.engine_class or "", ""),
                f"{machine.deck_material} deck" if machine.deck_material else "",
                "blade clutch" if machine.blade_clutch else "",
                "mulch kit" if machine.mulch_kit else "",
                "high rear wheels" if machine.high_wheels else "",
                {"inside": "kept inside", "outside": "kept outside"}.get(machine.kept or "", ""),
            ),
        )
    )


def counted(number: float, thing: str) -> str:
    """Return a number with its thing, one or several; under one counts as less than one.

    >>> counted(1, "pull"), counted(2.5, "year"), counted(0.4, "year")
    ('1 pull', '2.5 years', 'less than 1 year')
    """
    if number < 1:
        return f"less than 1 {thing}"
    told = f"{number:.2g}"
    return f"{told} {thing}" if told == "1" else f"{told} {thing}s"


def fault_said(item: Finding) -> str:
    """Return one fault as it is told to a buyer."""
    slight, serious = FAULTS[item.fault]
    return slight if item.severity == "slight" else serious


def runs_said(machine: Machine) -> Iterator[str]:
    """How it starts and runs, as far as somebody tried."""
    readings = machine.readings
    starts = not any(item.fault == "no_start" for item in machine.faults)
    if readings.cold_pulls is not None and starts:
        yield f"starts cold in {counted(readings.cold_pulls, 'pull')}"
    if readings.hot_run == "held":
        yield "ran half an hour in grass without a stop"
    if readings.smoke == "none":
        yield "no blue smoke in ten minutes"


FIGURES = {
    "compression_psi": "compression {:.0f} psi",
    "leak_down_percent": "leak-down {:.0f} %",
    "spark_gap_mm": "spark jumps {:.2g} mm",
    "engine_rpm": "full speed {:.0f} rpm",
    "drive_pull_kgf": "drive pulls {:.2g} kgf before it slips",
    "crank_runout_mm": "crankshaft measured, {:.2g} mm out of true",
}
"""Readings of one figure, as one tells a buyer."""


def measured_said(machine: Machine) -> Iterator[str]:
    """What was measured, each with its figure."""
    readings = machine.readings
    worst = worst_blade_stop(readings)
    if worst is not None:
        runs = len(readings.blade_stop_s or ())
        which = f" (slowest of {runs} runs)" if runs > 1 else ""
        yield f"blade stands still {worst:.2g} s after the bar is let go{which}"
    yield from _papers_said(machine)
    for name, words in FIGURES.items():
        if getattr(readings, name) is not None:
            yield words.format(getattr(readings, name))
    if readings.roll_pull_kgf:
        runs_kgf = readings.roll_pull_kgf
        yield f"rolls at a pull of {sum(runs_kgf) / len(runs_kgf):.2g} kgf"


def _papers_said(machine: Machine) -> Iterator[str]:
    """What stayed dry; what did not is among the faults."""
    readings = machine.readings
    if readings.fuel_paper_soak == "dry":
        yield "no fuel on paper after standing"
    elif readings.fuel_paper_5min == "dry" and readings.fuel_paper_soak is None:
        yield "no fuel on paper after five minutes"
    if readings.oil_cardboard == "dry":
        yield "no oil on cardboard after standing hot"


def not_tested(machine: Machine) -> list[str]:
    """What a buyer would ask about and nobody has read."""
    readings = machine.readings
    open_ones = {
        "cold start": readings.cold_pulls is None and not any(f.fault == "no_start" for f in machine.faults),
        "compression": readings.compression_psi is None and readings.leak_down_percent is None,
        "half an hour of mowing": readings.hot_run is None,
        "smoke": readings.smoke is None,
        "pull of the drive": machine.drive != "push" and readings.drive_pull_kgf is None,
    }
    return [name for name, missing in open_ones.items() if missing]
