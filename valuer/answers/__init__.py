"""Answers: what leaves the house, one named part a question. The same documents for ``--json`` and the API.

A file for each room of the advice, so that a question loads the documents of its own room only.
"""

from pydantic import BaseModel, ConfigDict


class Answer(BaseModel):
    """What leaves the house: one named part, so that more can stand beside it later."""

    model_config = ConfigDict(frozen=True, extra="forbid")
