"""Every header compiles alone, twice over. Usage: check_headers.py ROOT COMPILER FLAG..."""
import pathlib
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor


def trouble(header, compiler):
    text = f'#include "{header}"\n#include "{header}"\n'
    run = subprocess.run([*compiler, "-x", "c++", "-"], input=text, capture_output=True, text=True,
                         check=False)
    return f"{header}:\n{run.stderr}" if run.returncode != 0 else ""


def main():
    root, compiler = pathlib.Path(sys.argv[1]), sys.argv[2:]
    headers = sorted(h for folder in ("include", "src") for h in (root / folder).rglob("*.hpp")
                     if "page" not in h.relative_to(root).parts)
    with ThreadPoolExecutor(max_workers=2) as pool:
        troubles = [t for t in pool.map(lambda h: trouble(h, compiler), headers) if t]
    print("\n".join(troubles))
    print(f"{len(headers)} headers, {len(troubles)} in trouble")
    return 1 if troubles or not headers else 0


if __name__ == "__main__":
    sys.exit(main())
