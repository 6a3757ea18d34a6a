"""What tests of the advice share."""

import pytest

from valuer.market.listings import draw_listings
from valuer.price_model.selling import SellingModel, fit_selling_model


@pytest.fixture(scope="session")
def learned() -> SellingModel:
    """A model of selling learned from 1,200 invented listings."""
    return fit_selling_model(draw_listings(1200, 31)[1])
