"""Temperature logs of a few sessions: one sample a second at the lid sensor."""

import numpy as np
import polars as pl

from synthetic_data.months import FOREVER, Months
from synthetic_data.parameters import Parameters
from synthetic_data.randomness import Floats, Integers, happens


def temperature_rows(
    rng: np.random.Generator, sessions: pl.DataFrame, months: Months, parameters: Parameters
) -> pl.DataFrame:
    """Logs of the first few sessions in each of the newest batches, one row per sample."""
    logged = _logged(sessions, months, parameters)
    samples = 1 + np.round(60 * logged["minutes"].to_numpy()).astype(np.int64)
    log = np.repeat(np.arange(logged.height), samples)
    second = np.arange(len(log)) - np.repeat(np.cumsum(samples) - samples, samples)
    heat = _heat(rng, logged, samples, log, second, parameters)
    kept = ~_in_gap(rng, samples, log, second, parameters)
    twice = kept & happens(rng, parameters.log_repeats_sample, len(log))
    at = np.sort(np.concatenate([np.flatnonzero(kept), np.flatnonzero(twice)]))
    is_second = np.concatenate([[False], at[1:] == at[:-1]]) if len(at) else at > 0
    return (
        logged.select("session_id", "eye", "since", "until")
        .select(pl.all().gather(log[at]))
        .with_columns(
            t_s=pl.Series(second[at].astype(np.float64)),
            temp_c=pl.Series(np.round(heat[at] + 0.2 * is_second, 2)),
            averaged=pl.Series(is_second),
        )
    )


def _logged(sessions: pl.DataFrame, months: Months, parameters: Parameters) -> pl.DataFrame:
    """Eye rows of the sessions that are logged, all with the heat on record."""
    newest = sessions.filter(
        pl.col("since") >= len(months) - parameters.logged_batches,
        pl.col("until") == FOREVER,
        pl.all_horizontal(pl.col("plateau_temp_c", "max_temp_c", "minutes").is_not_null()),
    )
    number = pl.col("session_id").rank("dense").over("since")
    logged = (parameters.logged * number.max().over("since")).ceil()
    return newest.filter(number <= logged)


def _heat(
    rng: np.random.Generator,
    logged: pl.DataFrame,
    samples: Integers,
    log: Integers,
    second: Integers,
    parameters: Parameters,
) -> Floats:
    """Warm-up from the skin's temperature to the plateau, a ripple, and one peak at the maximum."""
    plateau = logged["plateau_temp_c"].to_numpy()
    overshoot = logged["max_temp_c"].to_numpy() - plateau
    peak = samples * (0.3 + 0.6 * rng.random(logged.height))
    skin = parameters.skin_c
    warm = skin + (plateau - skin)[log] * (1 - np.exp(-second / parameters.warm_up_s))
    ripple = 0.15 * np.sin(second / 5) + 0.05 * rng.standard_normal(len(log))
    bump = overshoot[log] * np.exp(-(((second - peak[log]) / 4) ** 2))
    result: Floats = warm + ripple + bump
    return result


def _in_gap(
    rng: np.random.Generator,
    samples: Integers,
    log: Integers,
    second: Integers,
    parameters: Parameters,
) -> np.ndarray:
    """Samples that a log has lost."""
    start = (samples * rng.random(len(samples))).astype(np.int64)
    length = np.where(happens(rng, parameters.log_has_gap, len(samples)), 8, 0)
    return (second >= start[log]) & (second < (start + length)[log])
