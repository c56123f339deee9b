"""Protections taken out, one at a time: the harness must notice each."""

from collections.abc import Callable

from pipeline import files
from pipeline import release as releases
from pipeline import run as flow


def put_in(name: str | None) -> None:
    if name is not None:
        MUTATIONS[name]()


def _no_fsync() -> None:
    releases.sync_tree = lambda folder: None


def _switch_before_the_gates() -> None:
    make = flow.make_release

    def hasty(workspace, candidate, report, voice):
        releases.switch(workspace, candidate.release)
        make(workspace, candidate, report, voice)

    flow.make_release = hasty


def _prune_before_the_switch() -> None:
    switch, tidy = releases.switch, releases.prune

    def eager(workspace, release):
        tidy(workspace)
        switch(workspace, release)

    releases.switch = eager


def _manifest_before_the_pages() -> None:
    publish, finish = flow.publish, releases.finish

    def too_early(release, *, on_progress=None):
        releases.write_whole(release.manifest, '{"finished_at": "2025-01-01T00:00:00+00:00"}\n')
        publish(release, on_progress=on_progress)

    def late(candidate, gates):
        candidate.release.manifest.unlink()
        return finish(candidate, gates)

    flow.publish, releases.finish = too_early, late


def _removed_without_its_manifest_first() -> None:
    import shutil

    from pipeline.durable import durable_step

    def remove(root, step=releases.Step.DISCARD):
        durable_step(step)
        if root.exists():
            for folder in (root / "dashboards", root / "tables"):
                shutil.rmtree(folder, ignore_errors=True)
            durable_step(step)
            shutil.rmtree(root)

    releases.remove = remove


def _a_link_that_is_first_removed() -> None:
    def point(link, target):
        link.unlink(missing_ok=True)
        files.durable_step(releases.Step.SWITCH)
        link.symlink_to(target.relative_to(link.parent))

    releases.point = point


MUTATIONS: dict[str, Callable[[], None]] = {
    "no fsync": _no_fsync,
    "switch before the gates": _switch_before_the_gates,
    "prune before the switch": _prune_before_the_switch,
    "manifest before the pages": _manifest_before_the_pages,
    "removed without its manifest first": _removed_without_its_manifest_first,
    "a link that is first removed": _a_link_that_is_first_removed,
}
