"""The sentence beside the curves of first responses tells the last session that may be told."""

from dashboards import words
from dashboards.hidden_counts import Mark
from dashboards.pages.sessions import seen_by


def row(session, responded_by, incidence):
    limits = {"incidence_low": incidence, "incidence_high": incidence}
    return {
        "session_number": session,
        "responded_by": responded_by,
        "incidence": incidence,
        **limits,
    }


def test_both_shares_are_told_of_the_last_session_that_shows_both():
    rows = [row(1, 0.2, 0.19), row(2, 0.4, 0.35), row(3, 0.5, Mark.COMPANION)]
    said = seen_by(rows, "courses")
    assert said.startswith("By session 2 a response had been seen in 35 of 100 courses")
    assert "in 40 of 100 if those who stopped" in said


def test_where_one_share_is_hidden_throughout_the_other_is_told_alone():
    rows = [
        row(1, 0.2, Mark.COMPANION),
        row(2, 0.4, Mark.COMPANION),
        row(3, Mark.COMPANION, Mark.COMPANION),
    ]
    said = seen_by(rows, "eyes")
    assert said.startswith("By session 2 a response had been seen in 40 of 100 eyes if those")
    assert "stopping competes would give small counts away" in said


def test_where_both_are_hidden_nothing_is_told():
    assert seen_by([row(1, Mark.COMPANION, Mark.COMPANION)], "eyes") == words.TOO_FEW
