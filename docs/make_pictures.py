"""In: the sample site. Out: map.png and crew_sheet.png beside this file, as the README shows them.

python docs/make_pictures.py         # needs the extra "test", chromium and pdftoppm (poppler)
"""

# ruff: noqa: S603  (a script, and its commands are our own)
from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

MAP_SIZE = {"width": 1400, "height": 875}
WIDTH = 1120
SHEET_DPI = 75
PATCH = "Patch A03"


def main() -> None:
    """Plan the sample, and take a picture of its map and of the sheet of one patch."""
    import tussock

    docs = Path(__file__).parent
    with tempfile.TemporaryDirectory() as name:
        folder = tussock.make_plan(tussock.read_site(tussock.sample_path())).write(Path(name) / "plan")
        take_map(folder / "map.html", docs / "map.png")
        take_sheet(folder / "crew_sheets.pdf", docs / "crew_sheet.png")
    for picture in ("map.png", "crew_sheet.png"):
        shrink(docs / picture)


def take_map(page: Path, picture: Path) -> None:
    """Take a picture of the map as it opens."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"))
        tab = browser.new_page(viewport=MAP_SIZE)
        tab.goto(page.as_uri())
        tab.wait_for_timeout(2000)
        tab.screenshot(path=picture)
        browser.close()


def take_sheet(sheets: Path, picture: Path) -> None:
    """Take a picture of the first page of a patch."""
    from pypdf import PdfReader

    pages = PdfReader(sheets).pages
    place = next(number for number, page in enumerate(pages, start=1) if page.extract_text().strip().startswith(PATCH))
    command = ["pdftoppm", "-png", "-singlefile", "-r", str(SHEET_DPI), "-f", str(place), "-l", str(place)]
    subprocess.run([*command, str(sheets), str(picture.with_suffix(""))], check=True)


def shrink(picture: Path) -> None:
    """Bring a picture to the width of a page, in 256 colours.

    They are chosen by the tree of colours, which keeps the rare ones: a map must show its classes as they are.
    """
    from PIL import Image

    with Image.open(picture) as image:
        size = WIDTH, round(image.height * WIDTH / image.width)
        small = image.convert("RGB") if image.width <= WIDTH else image.convert("RGB").resize(size)
    small.quantize(256, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(picture, optimize=True)


if __name__ == "__main__":
    main()
