"""Take the picture in README.md: the top of a real report of the demonstration practice."""

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from outcomes.reports.build.run import run_report

WIDTH, HEIGHT = 1180, 1560


def screenshot(page: Path, folder: Path) -> bytes:
    """The top of a page, as Chromium draws it."""
    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if browser is None:
        sys.exit("The picture needs Chromium: install it, or leave the picture as it is.")
    file = folder / "picture.png"
    options = ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
    options += ["--no-first-run", "--disable-background-networking", "--disable-sync"]
    options += ["--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={folder / 'profile'}"]
    options += [f"--window-size={WIDTH},{HEIGHT}", f"--screenshot={file}"]
    subprocess.run([browser, *options, page.as_uri()], check=True, capture_output=True)
    return file.read_bytes()


def main() -> None:
    """Write audit.png beside this file."""
    with tempfile.TemporaryDirectory() as folder:
        report = run_report("practice_audit", None, Path(folder, "audit"))
        picture = Image.open(io.BytesIO(screenshot(report.page, Path(folder))))
    target = Path(__file__).with_name("audit.png")
    picture.convert("P", palette=Image.Palette.ADAPTIVE, colors=64).save(target, optimize=True)
    print(f"wrote {target.name}, {target.stat().st_size // 1024} KB")


if __name__ == "__main__":
    main()
