"""The statistics: a price model for any table of sales, its intervals, its evaluation, and the mower model on top."""

from valuer.price_model.fit import PriceModel, fit_price_model
from valuer.price_model.training import load_or_train, train

__all__ = ["PriceModel", "fit_price_model", "load_or_train", "train"]
