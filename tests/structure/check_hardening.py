"""What the linker made of the hardening flags, as readelf shows it.

Usage: check_hardening.py PROGRAM COMPILE_COMMANDS
"""
import json
import pathlib
import re
import subprocess
import sys


def readelf(option, program):
    return subprocess.run(["readelf", "--wide", option, program], capture_output=True, text=True,
                          check=True, env={"LC_ALL": "C", "PATH": "/usr/bin:/bin"}).stdout


def troubles(program, commands):
    if not re.search(r"Type:\s+DYN", readelf("--file-header", program)):
        yield "not position-independent (PIE)"
    dynamic = readelf("--dynamic", program)
    if not re.search(r"FLAGS_1.*\bPIE\b", dynamic):
        yield "a shared object, not a position-independent program"
    if not re.search(r"\(FLAGS\).*BIND_NOW|FLAGS_1.*\bNOW\b", dynamic):
        yield "addresses of functions stay writable (no BIND_NOW)"
    segments = readelf("--segments", program)
    if "GNU_RELRO" not in segments:
        yield "relocated data stays writable (no RELRO)"
    stack = re.search(r"GNU_STACK\s+(?:0x\w+\s+){5}(\S+)", segments)
    if not stack or "E" in stack.group(1):
        yield "the stack can be executed"
    symbols = readelf("--dyn-syms", program)
    if "__stack_chk_fail" not in symbols:
        yield "no stack protector"
    if not re.search(r"\b__\w+_chk\b", symbols.replace("__stack_chk_fail", "")):
        yield "no call is checked by _FORTIFY_SOURCE"
    for unit in json.loads(pathlib.Path(commands).read_text(encoding="utf-8")):
        if "/src/" in unit["file"] and "-D_FORTIFY_SOURCE=2" not in unit["command"]:
            yield f"{unit['file']}: compiled without _FORTIFY_SOURCE"


def main():
    found = list(troubles(sys.argv[1], sys.argv[2]))
    for trouble in found:
        print(f"{sys.argv[1]}: {trouble}")
    print("not hardened" if found else "hardened")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
