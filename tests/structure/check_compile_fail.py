"""Lines marked `// no: N` must not compile, one by one, and the file without them must.

Usage: check_compile_fail.py FILE COMPILER FLAG...
"""
import re
import subprocess
import sys


def compiled(source, compiler, case):
    return subprocess.run([*compiler, f"-DCASE={case}", source], capture_output=True, text=True,
                          check=False)


def main():
    source, compiler = sys.argv[1], sys.argv[2:]
    with open(source, encoding="utf-8") as file:
        lines = file.read().splitlines()
    cases = {int(m[1]): i for i, line in enumerate(lines, 1) if (m := re.search(r"// no: (\d+)", line))}
    control = compiled(source, compiler, 0)
    bad = 0
    if control.returncode != 0 or not cases:
        print(f"the file does not compile without the wrong lines:\n{control.stderr}")
        bad += 1
    for case, line in cases.items():
        run = compiled(source, compiler, case)
        # The error must come from the marked line, not from a mistake elsewhere.
        if run.returncode == 0 or not re.search(rf"\.cpp:{line}:\d+: error:", run.stderr):
            print(f"line {line} should be an error: {lines[line - 1].strip()}\n{run.stderr}")
            bad += 1
    print(f"{len(cases)} wrong lines tried, {bad} in trouble")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
