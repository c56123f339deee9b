"""Which exports are read, in which order, and what makes a workspace's exports unusable."""

from datetime import date

import pytest

from ingest.batches import covered_days, find_exports
from pipeline.errors import WrongUse


@pytest.mark.parametrize(
    ("name", "first", "last"),
    [
        ("2026-02", (2026, 2, 1), (2026, 2, 28)),
        ("2024-02", (2024, 2, 1), (2024, 2, 29)),
        ("2026-12", (2026, 12, 1), (2026, 12, 31)),
        ("2026-03-15", (2026, 3, 1), (2026, 3, 15)),
        ("2026-03-01", (2026, 3, 1), (2026, 3, 1)),
    ],
)
def test_a_batch_covers_its_month_up_to_its_day(name, first, last):
    assert covered_days(name) == (date(*first), date(*last))


@pytest.mark.parametrize(
    "name",
    ["2026", "2026-13", "2026-00", "2026-02-30", "2026-3", "03-2026", "2026-03-15b", "march"],
)
def test_a_folder_named_otherwise_is_no_batch(exports, name):
    assert covered_days(name) is None
    exports.write("visits", {}, batch=name)
    with pytest.raises(WrongUse, match=f"exports/alder/{name} is named by no date"):
        exports.read()


def test_batches_are_in_order_of_their_last_day_then_of_their_name(exports):
    for batch in ("2026-04", "2026-03-31", "2026-03", "2026-03-15", "2025-12"):
        exports.write("visits", {}, batch=batch)
    exports.write("visits", {}, site="birch", batch="2026-01")
    report = exports.read()
    assert report.batches.select("site", "batch", "position").rows() == [
        ("alder", "2025-12", 1),
        ("alder", "2026-03-15", 2),
        ("alder", "2026-03", 3),
        ("alder", "2026-03-31", 4),
        ("alder", "2026-04", 5),
        ("birch", "2026-01", 1),
    ]
    assert report.batches["last_day"].to_list()[1] == date(2026, 3, 15)
    assert report.batches["first_day"].to_list()[1] == date(2026, 3, 1)


class TestAsOf:
    def test_latest_is_the_newest_batchs_last_day_of_any_site(self, exports):
        exports.write("visits", {}, batch="2026-03")
        exports.write("visits", {}, site="birch", batch="2026-02")
        assert exports.read().as_of == date(2026, 3, 31)

    def test_batches_that_begin_after_it_are_not_read(self, make_exports):
        exports = make_exports(as_of=date(2026, 3, 15))
        for batch in ("2026-02", "2026-03", "2026-04"):
            exports.write("visits", {}, batch=batch)
        report = exports.read()
        assert report.as_of == date(2026, 3, 15)
        assert report.batches["batch"].to_list() == ["2026-02", "2026-03"]
        assert {unit.batch for unit in report.units} == {"2026-02", "2026-03"}

    def test_the_day_a_batch_begins_is_enough(self, make_exports):
        exports = make_exports(as_of=date(2026, 4, 1))
        exports.write("visits", {}, batch="2026-04")
        assert exports.read().batches.height == 1

    def test_no_batch_by_then_is_an_error(self, make_exports):
        exports = make_exports(as_of=date(2026, 3, 31))
        exports.write("visits", {}, batch="2026-04")
        with pytest.raises(WrongUse, match="begins after 2026-03-31"):
            exports.read()


class TestWhatIsNoExport:
    def test_no_folder_at_all(self, exports):
        with pytest.raises(WrongUse, match="There is no export in"):
            exports.read()

    def test_a_batchs_folder_without_an_export_is_not_there_yet(self, exports):
        exports.write("visits", {}, batch="2026-03")
        exports.folder(batch="2026-05")
        (exports.folder(batch="2026-06") / "note.txt").write_text("not yet")
        report = exports.read()
        assert report.as_of == date(2026, 3, 31)
        assert report.batches["batch"].to_list() == ["2026-03"]

    def test_an_unknown_sites_folder_names_the_nearest(self, exports):
        exports.write("visits", {}, site="adler")
        with pytest.raises(WrongUse, match=r"exports/adler is no site .* did you mean 'alder'"):
            exports.read()

    def test_a_folder_that_is_near_to_no_site_lists_the_sites(self, exports):
        exports.write("visits", {}, site="zzz")
        with pytest.raises(WrongUse, match=r"exports/zzz is no site .* known are alder.*\. Rename"):
            exports.read()

    def test_an_export_outside_a_batchs_folder(self, exports):
        exports.write("visits", {})
        for place in (exports.workspace.exports, exports.workspace.exports / "alder"):
            stray = place / "visits.csv"
            stray.write_text("")
            with pytest.raises(WrongUse, match="lies outside a batch's folder"):
                exports.read()
            stray.unlink()

    def test_hidden_files_are_left_alone(self, exports):
        exports.write("visits", {})
        for place in (exports.workspace.exports, exports.workspace.exports / "alder"):
            (place / ".hidden").mkdir()
        (exports.folder() / ".visits.csv.swp").write_text("x")
        report = exports.read()
        assert (report.files.height, report.passed_over) == (1, ())

    def test_what_lies_where_no_export_is_looked_for_is_named(self, exports):
        exports.write("visits", {})
        root = exports.workspace.exports
        beside = [
            root / "README.txt",
            root / "alder" / "README.txt",
            exports.folder(batch="2026-05") / "vists.csv",
        ]
        for path in beside:
            path.write_text("a note")
        report = exports.read()
        assert report.passed_over == tuple(beside)
        assert report.files.height == 1

    @pytest.mark.parametrize("file", ["visit.csv", "visits.ods", "summary.pdf", "visits"])
    def test_a_file_of_no_kind_in_a_batch_is_reported(self, exports, file):
        exports.write("visits", {})
        (exports.folder() / file).write_text("x")
        report = exports.read()
        stray = report.files.filter(kind="unknown").row(0, named=True)
        assert (stray["file"], stray["file_refused"], stray["rows_read"]) == (file, True, 0)
        assert "begins with no kind of export" in stray["file_reason"]


def test_units_are_a_batchs_files_of_one_kind_in_order_of_their_names(exports):
    for file in ("visits-2.csv", "visits-1.csv", "outcomes.csv"):
        exports.write(file.split(".")[0].split("-")[0], {}, file=file)
    found = find_exports(exports.workspace).exports
    assert [(e.kind.name, [path.name for path in e.files]) for e in found] == [
        ("visits", ["visits-1.csv", "visits-2.csv"]),
        ("outcomes", ["outcomes.csv"]),
    ]
