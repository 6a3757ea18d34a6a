"""The synthetic market: an invented world of sellers and buyers, from which the training data comes.

Nothing here is measured on real sales. What the simulator believes stands in ``assumptions.toml``.
"""
