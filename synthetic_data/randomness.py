"""Random streams and draws: the same seed gives the same numbers, whatever else is drawn."""

from collections.abc import Sequence
from enum import IntEnum

import numpy as np
import polars as pl
from numpy.typing import NDArray

from synthetic_data.parameters import Weights

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]


class Theme(IntEnum):
    """What a stream is for; each has its own, so that one never shifts another."""

    PATIENTS = 0
    COURSES = 1
    OUTCOMES = 2
    SESSIONS = 3
    RECORDS = 4
    VERSIONS = 5
    FAULTS = 6
    TEMPERATURES = 7


def stream(seed: int, site: int, chunk: int, theme: Theme) -> np.random.Generator:
    """The stream of one theme for one chunk of a site's patients."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(site, chunk, theme)))


def happens(rng: np.random.Generator, chance: float | Floats, size: int) -> Booleans:
    """True with the given chance, for each of `size`."""
    return rng.random(size) < chance


def choose(rng: np.random.Generator, weights: Sequence[float], size: int) -> Integers:
    """Positions in `weights`, drawn in proportion to them."""
    ends = np.cumsum(np.asarray(weights, dtype=np.float64))
    drawn: Integers = np.searchsorted(ends, rng.random(size) * ends[-1], side="right")
    return drawn


def codes(weights: Weights, positions: Integers) -> pl.Series:
    """The codes at these positions; an empty code becomes null."""
    return pl.Series([code or None for code, _ in weights], dtype=pl.String).gather(positions)


def draw_codes(rng: np.random.Generator, weights: Weights, size: int) -> pl.Series:
    """Codes drawn by their weights; an empty code becomes null."""
    return codes(weights, choose(rng, [weight for _, weight in weights], size))


def about(rng: np.random.Generator, mean_and_spread: tuple[float, float], size: int) -> Floats:
    """Normal values with this mean and standard deviation."""
    mean, spread = mean_and_spread
    return mean + spread * rng.standard_normal(size)
