#!/usr/bin/env python3
"""Puts the page together: one HTML file that needs nothing else.

Usage: assemble.py SOURCE_FOLDER CORE.js OUT.html
"""
import base64
import hashlib
import json
import os
import pathlib
import sys

LARGEST = 1_500_000  # bytes; small enough for a message's attachment


def script_text(text):
    """A text as a JavaScript literal that can stand inside a script element."""
    return json.dumps(text).replace("<", "\\u003c")


def main():
    source, core, out = map(pathlib.Path, sys.argv[1:])

    def part(name):
        return (source / name).read_text(encoding="utf-8")

    worker = "\n".join([core.read_text(encoding="utf-8"), part("wav.js"), part("worker.js")])
    texts = json.loads(part("texts.json"))
    script = part("page.js")
    for mark, value in (("@TEXTS@", json.dumps(texts, ensure_ascii=False).replace("<", "\\u003c")),
                        ("@WORKER@", script_text(worker)),
                        ("@WORKLET@", script_text(part("worklet.js")))):
        if script.count(mark) != 1:
            sys.exit(f"assemble.py: page.js holds {mark} {script.count(mark)} times, not once")
        script = script.replace(mark, value)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    # Scripts: this one by its hash, the worker and the audio thread from it, as blobs or (opened from disk)
    # as data. Nothing may be fetched from anywhere.
    policy = "; ".join([
        "default-src 'none'", f"script-src 'sha256-{digest}' 'wasm-unsafe-eval' blob: data:",
        "worker-src blob:", "style-src 'unsafe-inline'", "img-src data:", "media-src blob:",
        "base-uri 'none'", "form-action 'none'"])
    page = part("page.html")
    for mark, value in (("@POLICY@", policy), ("@STYLE@", part("page.css")), ("@SCRIPT@", script)):
        page = page.replace(mark, value, 1)
    data = page.encode()
    if len(data) > LARGEST:
        sys.exit(f"assemble.py: the page has {len(data)} bytes, more than {LARGEST}")
    temporary = out.with_name(out.name + ".new")
    temporary.write_bytes(data)
    os.replace(temporary, out)


if __name__ == "__main__":
    main()
