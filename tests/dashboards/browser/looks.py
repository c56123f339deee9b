"""How the main pages look: small pictures, compared block by block with reviewed ones.

After a change that is meant, look at the pages, then renew the reviewed pictures and look at those:

    uv run python -m tests.dashboards.browser.looks
"""

import base64
import shutil
import sys
import tempfile
from importlib import util
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from dashboards import publish

REVIEWED = Path(__file__).with_name("reviewed")
SCALE = 0.25  # of a picture: letters become shades, so that smoothing of fonts makes no difference
BLOCK = 10  # picture's pixels: 40 of the page
PALER = 20  # of 255: a block whose mean shade differs by more looks different
SHARE_ALIKE = 0.97  # of the blocks must look alike; common practice, no source
DESK = {"width": 1280, "height": 1600}
PHONE = {"width": 390, "height": 1600}
LOOKS = {
    "start": ("index.html", DESK),
    "start_on_a_phone": ("index.html", PHONE),
    "response": ("response_by_grade.html", DESK),
    "safety": ("safety.html", DESK),
    "month": ("clinics/alder/2026-03.html", DESK),
    "sheet": ("expect/severe.html", DESK),
}
FLAGS = ("--no-sandbox", "--disable-quic", "--disable-gpu", "--hide-scrollbars")
ALIKE = """async ([one, other, block, paler]) => {
    const pixels = async (picture) => {
        const image = new Image();
        image.src = `data:image/png;base64,${picture}`;
        await image.decode();
        const canvas = document.createElement("canvas");
        [canvas.width, canvas.height] = [image.width, image.height];
        const context = canvas.getContext("2d");
        context.drawImage(image, 0, 0);
        return context.getImageData(0, 0, image.width, image.height);
    };
    const [a, b] = [await pixels(one), await pixels(other)];
    if (a.width !== b.width || a.height !== b.height) return 0;
    let [alike, blocks] = [0, 0];
    for (let top = 0; top + block <= a.height; top += block) {
        for (let left = 0; left + block <= a.width; left += block) {
            const sums = [0, 0, 0];
            for (let y = top; y < top + block; y += 1) {
                for (let x = left; x < left + block; x += 1) {
                    const at = 4 * (y * a.width + x);
                    for (const c of [0, 1, 2]) sums[c] += a.data[at + c] - b.data[at + c];
                }
            }
            const worst = Math.max(...sums.map((sum) => Math.abs(sum) / block ** 2));
            alike += worst <= paler ? 1 : 0;
            blocks += 1;
        }
    }
    return alike / blocks;
}"""


def picture(browser: Browser, file: Path, size: dict[str, int]) -> bytes:
    """The top of a page as a small PNG, in light."""
    context = browser.new_context(
        viewport=size,  # type: ignore[arg-type]
        device_scale_factor=SCALE,
        color_scheme="light",
        reduced_motion="reduce",
    )
    page = context.new_page()
    page.goto(file.as_uri())
    taken = page.screenshot()
    context.close()
    return taken


def share_alike(page: Page, one: bytes, other: bytes) -> float:
    """The share of blocks that look alike; 0 where the pictures differ in size."""
    pictures = [base64.b64encode(taken).decode() for taken in (one, other)]
    share: float = page.evaluate(ALIKE, [*pictures, BLOCK, PALER])
    return share


def renew() -> None:
    spec = util.spec_from_file_location(
        "invented_release", Path(__file__).parents[1] / "invented_release.py"
    )
    assert spec
    assert spec.loader
    invented = util.module_from_spec(spec)
    spec.loader.exec_module(invented)
    REVIEWED.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        release = invented.make_release(Path(folder) / "release")
        publish(release)
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=list(FLAGS)
        )
        for name, (path, size) in LOOKS.items():
            taken = picture(browser, release.dashboards / path, size)
            (REVIEWED / f"{name}.png").write_bytes(taken)
            sys.stdout.write(f"{REVIEWED / name}.png: {len(taken)} bytes. Look at it.\n")
        browser.close()


if __name__ == "__main__":
    renew()
