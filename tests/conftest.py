"""Loaded before any test: the package settles how many threads linear algebra takes before NumPy is loaded."""

import trendkit  # noqa: F401
