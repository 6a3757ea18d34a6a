"""What there is to know beside machines: the catalogue and the model card."""

from typing import Any

from pydantic import Field

from valuer.answers import Answer
from valuer.domain.cautions import Caution
from valuer.domain.faults import Fault
from valuer.domain.fixes import Fix
from valuer.domain.gates import Gate


class Catalogue(Answer):
    """Everything a machine file may say, and everything that can be done about it."""

    attributes: dict[str, str] = Field(description="what each attribute of a machine means, by name")
    readings: dict[str, str] = Field(description="what each reading means, by name; the unit is in the name")
    faults: tuple[Fault, ...]
    checks: tuple[Gate, ...] = Field(description="what must hold before a machine is sold as working")
    fixes: tuple[Fix, ...]
    acts_on: dict[str, tuple[str, ...]] = Field(
        description="faults that each fix may cure, by itself or as their cause"
    )
    cautions: tuple[Caution, ...]


class ModelCard(Answer):
    """What the price model is for, what it is not for, and how far off it is."""

    markdown: str = Field(description="the card of the model in force")
    metrics: dict[str, Any] = Field(
        description="figures the shipped card is made from; none for another card"
    )
    pictures: dict[str, str] = Field(
        description="pictures that the card refers to, SVG by file name; none for another card"
    )
