"""Each sample of a temperature log is stored with its place in the log and the next sample."""

from itertools import pairwise

import polars as pl
import pytest


def sample(t_s, temp_c, **changes):
    return {"t_s": str(t_s), "temp_c": str(temp_c)} | changes


def logs(exports):
    """The stored samples of each session and eye, in their stored order, as floats."""
    exports.read()
    columns = ["t_s", "temp_c", "begins_log", "next_after_s", "next_temp_c"]
    return sorted(
        log.select(pl.col(columns).cast(pl.Float64)).rows()
        for _, log in exports.accepted("temperatures").group_by("session_key", "eye")
    )


def chain(*samples):
    """Samples as they should be stored: each with the next, the last with none."""
    times, heat = zip(*samples, strict=True)
    begins = [1] + [0] * (len(times) - 1)
    after = [then - now for now, then in pairwise(times)] + [None]
    return list(zip(times, heat, begins, after, [*heat[1:], None], strict=True))


def test_whatever_the_order_in_which_they_came(exports):
    exports.write("temperatures", sample(9, 42), sample(0, 35), sample(0.5, 36))
    assert logs(exports) == [chain((0, 35), (0.5, 36), (9, 42))]


def test_eyes_and_sessions_that_come_by_turns_stay_apart(exports):
    rows = [
        sample(second, 40 + number, session_id=session, eye=eye)
        for second in (0, 1)
        for number, (session, eye) in enumerate(
            [("S1", "right"), ("S1", "left"), ("S2", "right"), ("S2", "left")]
        )
    ]
    exports.write("temperatures", *rows)
    assert logs(exports) == [chain((0, 40 + n), (1, 40 + n)) for n in range(4)]


def test_a_log_in_two_files_of_a_batch_is_one(exports):
    exports.write("temperatures", sample(0, 35), sample(2, 37), file="temperatures-1.csv")
    exports.write("temperatures", sample(1, 36), sample(3, 38), file="temperatures-2.csv")
    assert logs(exports) == [chain((0, 35), (1, 36), (2, 37), (3, 38))]


def test_a_refused_sample_is_nobodys_next_and_samples_of_one_time_are_one(exports):
    exports.write(
        "temperatures", sample(0, 35), sample(1, "?"), sample(2, 37), sample(2, 38), sample(3, 39)
    )
    assert logs(exports) == [chain((0, 35), (2, 37.5), (3, 39))]


def test_a_newer_batch_is_not_followed_into(exports):
    exports.write("temperatures", sample(0, 35), batch="2026-03")
    exports.write("temperatures", sample(1, 36), batch="2026-04")
    assert logs(exports) == [chain((0, 35))]


@pytest.mark.usefixtures("small_memory")
def test_on_the_disk_too(exports):
    seconds = range(200)
    exports.write(
        "temperatures",
        *(sample(s, 35 + n, session_id=f"S{n}") for s in reversed(seconds) for n in range(9)),
    )
    assert logs(exports) == [chain(*((s, 35 + n) for s in seconds)) for n in range(9)]
