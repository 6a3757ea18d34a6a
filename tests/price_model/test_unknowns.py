"""What a row does not say is read from what it says."""

import numpy as np
import pandas as pd
import pytest

from valuer.price_model.design import code_table, learn_columns
from valuer.price_model.unknowns import learn_unknowns

NEW_PRICE, WIDTH = (
    {"budget": 250.0, "mid": 500.0, "premium": 900.0},
    {"budget": 18.0, "mid": 21.0, "premium": 30.0},
)


def test_a_number_that_is_not_said_is_read_off_the_words() -> None:
    """Invented: a tier has its new price and its width, to a twentieth; one is seen in logs, the other as it is."""
    rng = np.random.default_rng(1)
    tier = pd.Series(rng.choice([*NEW_PRICE], 1500))
    table = pd.DataFrame(
        {
            name: tier.map(of) * rng.uniform(0.95, 1.05, 1500)
            for name, of in (("new", NEW_PRICE), ("width", WIDTH))
        }
    ).assign(tier=tier)
    table.loc[:299, "new"] = np.nan
    table.loc[200:499, "width"] = np.nan
    columns = learn_columns(table, ["new", "width"], ["tier"], {}, logs=["new"], lines=["new", "width"])
    coded = code_table(table, columns)
    x = pd.DataFrame(learn_unknowns(coded, columns).filled(coded)[0], columns=columns.recipe.design.names)
    low, high = columns.knots["new"]
    assert np.exp(low + x["new/0"][:300] * (high - low)).to_numpy() == pytest.approx(
        tier[:300].map(NEW_PRICE), rel=0.06
    )
    low, high = columns.knots["width"]
    assert (low + x["width/0"][200:500] * (high - low)).to_numpy() == pytest.approx(
        tier[200:500].map(WIDTH), rel=0.06
    )
