"""Make the README's picture of a sheet from the invented demo: `python notebooks/pictures/make_sheet.py`.

Needs pdftoppm (Debian package poppler-utils).
"""

from __future__ import annotations

import subprocess
from pathlib import Path

from advisor import intake, sheet
from advisor.advice import assess
from advisor.files import datasets
from advisor.shop_file import read_shop

TAG = "OM-1003"


def main() -> None:
    """Write sheet.png beside this file."""
    demo = datasets() / "demo"
    result = assess(intake.read(demo / "intake.csv"), read_shop(demo / "shop.toml"))
    document = sheet.render_pdf(result[TAG])
    out = Path(__file__).parent / "sheet"
    command = ["pdftoppm", "-r", "100", "-gray", "-png", "-singlefile", "-", str(out)]
    subprocess.run(command, input=document, check=True)


if __name__ == "__main__":
    main()
