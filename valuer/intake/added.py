"""More said of a machine that is known already: what was said is put over what was known, all else stays."""

from valuer.domain.machine import Machine
from valuer.intake.words import Understood

PARTS_OF_IT = ("readings", "checks", "causes", "seen", "own_parts", "own_hours")
"""Fields in which each name is said by itself."""


def with_said(known: Machine, read: Understood) -> Machine:
    """Return a machine with what words say of it besides: faults said not to be there are gone.

    Raises ValidationError (a ValueError) where both together cannot be, such as a reading and a check against it.
    """
    before, said = (each.model_dump(exclude_unset=True) for each in (known, read.machine))
    news = {item.fault for item in read.machine.faults} | set(read.not_there)
    faults = [item for item in known.faults if item.fault not in news]
    apart = {name: {**before.get(name, {}), **said[name]} for name in PARTS_OF_IT if name in said}
    return Machine.model_validate(
        {**before, **said, **apart, "id": known.id, "faults": [*faults, *read.machine.faults]}
        | ({"called": known.called} if known.called else {})
    )
