"""Includes run one way: cli, page -> show, job, audio -> core -> include.

Also: each layer uses only the libraries it is meant to, and core knows no files, devices, clocks
or streams. Usage: check_includes.py ROOT | --self-test
"""
import pathlib
import re
import sys
import tempfile

# Layer -> (layers it may include, libraries it may include).
LAYERS = {
    "pipebeat": (set(), r"tl/expected\.hpp"),
    "core": ({"pipebeat", "core"}, r"tl/expected\.hpp"),
    "audio": ({"pipebeat", "core", "audio"},
              r"sndfile\.h|portaudio\.h|boost/lockfree/.*|fmt/.*|sys/\w+\.h|"
              r"(fcntl|spawn|unistd|poll)\.h"),
    "show": ({"pipebeat", "core", "show"}, r"nlohmann/.*|fmt/.*|kainjow/.*"),
    "job": ({"pipebeat", "core", "job"},
            r"nlohmann/.*|fmt/.*|sys/\w+\.h|(fcntl|unistd|dirent)\.h"),
    "cli": ({"pipebeat", "core", "audio", "show", "job", "cli"},
            r"CLI/.*|fmt/.*|sys/\w+\.h|(fcntl|malloc|unistd|poll|signal|termios|langinfo|ncurses)\.h|"
            r"(arpa|netinet)/\w+\.h"),
    "page": ({"pipebeat", "core", "show", "page"}, r"emscripten/.*|emscripten\.h|fmt/.*"),
}
# Standard headers that would let files, devices, clocks, threads or text streams into the core.
NOT_IN_CORE = {"iostream", "fstream", "sstream", "ostream", "istream", "iomanip", "filesystem",
               "chrono", "ctime", "cstdio", "thread", "mutex", "print", "format", "locale"}
INCLUDE = re.compile(r'^\s*#\s*include\s*([<"])([^>"]+)[>"]', re.MULTILINE)


def sources(root):
    for folder in (root / "include", root / "src"):
        for path in sorted(folder.rglob("*")):
            if path.suffix in (".hpp", ".h", ".cpp"):
                yield path


def layer_of(root, path):
    relative = path.relative_to(root)
    return relative.parts[1]


def problems(root):
    seen = 0
    for path in sources(root):
        seen += 1
        layer = layer_of(root, path)
        name = path.relative_to(root)
        if layer not in LAYERS:
            yield f"{name}: src/{layer} is no known layer; add it to tests/structure"
            continue
        layers, libraries = LAYERS[layer]
        layers = layers | {layer}
        for bracket, target in INCLUDE.findall(path.read_text(encoding="utf-8")):
            first = target.split("/")[0]
            if bracket == '"':
                if first not in LAYERS:
                    yield f'{name}: "{target}" is not written as LAYER/FILE'
                elif first not in layers:
                    yield f'{name}: {layer} may not include "{target}"'
            elif first in LAYERS:
                yield f'{name}: our own <{target}> wants quotes'
            elif "." in target or "/" in target:
                if not re.fullmatch(libraries, target):
                    yield f"{name}: {layer} may not use <{target}>"
            elif layer in ("core", "pipebeat") and target in NOT_IN_CORE:
                yield f"{name}: the core knows no files, devices, clocks or streams (<{target}>)"
    if seen == 0:
        yield f"no sources under {root}"


def self_test():
    wrong = {
        "src/core/a.cpp": '#include "audio/reader.hpp"',
        "src/core/b.cpp": "#include <iostream>",
        "src/core/c.cpp": "#include <sndfile.h>",
        "src/show/d.cpp": '#include "cli/hear.hpp"',
        "src/cli/e.cpp": "#include <nlohmann/json.hpp>",
        "include/pipebeat/f.hpp": '#include "core/fft.hpp"',
        "src/elsewhere/g.cpp": "",
        "src/core/h.cpp": "#include <pipebeat/engine.hpp>",
    }
    right = {"src/cli/ok.cpp": '#include "show/text.hpp"\n#include <CLI/CLI.hpp>\n#include <vector>'}
    with tempfile.TemporaryDirectory() as folder:
        root = pathlib.Path(folder)
        for name, text in (wrong | right).items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        found = {line.split(":")[0] for line in problems(root)}
    missed = set(wrong) - found
    invented = found - set(wrong)
    for name in sorted(missed):
        print(f"not found: {name}: {wrong[name]}")
    for name in sorted(invented):
        print(f"found without cause: {name}")
    return 1 if missed or invented else 0


def main():
    if sys.argv[1:] == ["--self-test"]:
        return self_test()
    found = list(problems(pathlib.Path(sys.argv[1])))
    print("\n".join(found))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
