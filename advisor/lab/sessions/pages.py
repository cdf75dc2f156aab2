"""Three web pages and a text document to open in a measured session: the same on every machine."""

from __future__ import annotations

import struct
import zlib
from hashlib import shake_256
from pathlib import Path

import numpy as np

IMAGES = 24
"""Pictures on a page; with the script about 2.5 MB, about what a page of today weighs (from memory)."""

_WORDS = "the bench keeps a sheet for each unit so that whoever takes it on next finds what was done"

_DONE = """
<script>addEventListener("load", () => requestAnimationFrame(() => setTimeout(() => {
  document.title = "shown"; fetch("/shown?PAGE"); }, 0)));</script>
"""


def picture(label: str) -> bytes:
    """Draw a picture (PNG) that compresses as a photograph does, badly; different labels give different ones."""
    width, height = 320, 200
    noise = np.frombuffer(shake_256(label.encode()).digest(width * height), dtype=np.uint8)
    y, x = np.indices((height, width))
    pixels = np.stack((x, y, x ^ y), axis=-1) + (noise & 15).reshape(height, width, 1)
    # Each row begins with the number of its filter: none.
    rows = np.insert(pixels.astype(np.uint8).reshape(height, -1), 0, 0, axis=1)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(rows.tobytes(), 6)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def script() -> str:
    """Write a script of about 600 kB that is parsed, compiled and run as a page's own scripts are."""
    lines = ["const bag = [];"]
    for number in range(4000):
        lines.append(
            f"function f{number}(a) {{ const b = new Map(); for (let i = 0; i < 12; i++) "
            f"b.set('k{number}-' + i, a * i + {number}); bag.push(b); return b.size + {number}; }}"
        )
    lines.append("let total = 0;")
    lines += [f"total += f{number}({number % 7});" for number in range(4000)]
    lines.append("document.documentElement.dataset.total = total;")
    return "\n".join(lines)


def write_pages(folder: Path) -> None:
    """Write the pages (page0.html an article, then a long table, many boxes) and the text document."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(IMAGES):
        (folder / f"picture{number}.png").write_bytes(picture(f"picture {number}"))
    (folder / "page.js").write_text(script())
    words = _WORDS.split()
    text = " ".join(words[shake_256(str(number).encode()).digest(1)[0] % len(words)] for number in range(160))
    pictures = "".join(f"<figure><img src='picture{number}.png'><p>{text}</p></figure>" for number in range(IMAGES))
    rows = "".join(
        "<tr>" + "".join(f"<td>{row * 7 + cell}</td>" for cell in range(12)) + "</tr>" for row in range(1500)
    )
    boxes = "".join(f"<div class=b><b>{number}</b><span>{text[:60]}</span></div>" for number in range(2500))
    style = "<style>.b{display:inline-block;width:120px;margin:4px;border-radius:6px;box-shadow:0 1px 3px #888}</style>"
    for number, body in enumerate((pictures, f"<table>{rows}</table>{pictures}", style + boxes + pictures)):
        done = _DONE.replace("PAGE", str(number))
        head = "<!doctype html><meta charset=utf-8><title>page</title><script src=page.js></script>"
        (folder / f"page{number}.html").write_text(f"{head}<body>{body}{done}</body>")
    write_document(folder / "text.fodt", text)


def write_document(path: Path, text: str) -> None:
    """Write a text document of some ten pages (OpenDocument, flat XML)."""
    office = "urn:oasis:names:tc:opendocument:xmlns:office:1.0"
    words = "urn:oasis:names:tc:opendocument:xmlns:text:1.0"
    body = "".join(f"<text:p>{text}</text:p>" for _ in range(120))
    path.write_text(
        f"<?xml version='1.0' encoding='UTF-8'?><office:document xmlns:office='{office}' xmlns:text='{words}' "
        "office:version='1.3' office:mimetype='application/vnd.oasis.opendocument.text'>"
        f"<office:body><office:text>{body}</office:text></office:body></office:document>"
    )
