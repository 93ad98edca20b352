"""Brings the page's one vendored library up to date from the npm registry, and checks the one here.

Knows where the file, its licence and its manifest lie. Does not know what the page does with it.

    python -m tools.refresh_web check        compare what is stored with its manifest
    python -m tools.refresh_web VERSION      fetch that version with npm and store it
"""

from __future__ import annotations

import gzip
import hashlib
import json
import subprocess
import sys
import tarfile
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[1] / "daemon" / "web"
MANIFEST = FOLDER / "vendored.json"
PACKAGE = "mqtt"
_BUNDLE = "package/dist/mqtt.min.js"
_LICENCE = "package/LICENSE.md"


def main() -> int:
    """Do what was asked; returns the exit status."""
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    if sys.argv[1] != "check":
        store(sys.argv[1])
    wrong = check()
    print(wrong or "what is stored is what the manifest says")
    return 1 if wrong else 0


def check() -> str:
    """Compare the stored bundle with its manifest; returns what is wrong, or nothing."""
    said: dict[str, Any] = json.loads(MANIFEST.read_text(encoding="utf-8"))
    bundle = gzip.decompress((FOLDER / said["file"]).read_bytes())
    found = hashlib.sha256(bundle).hexdigest()
    if found != said["sha256"]:
        return f"{said['file']} holds {found}, the manifest says {said['sha256']}"
    if not (FOLDER / said["licence_file"]).read_text(encoding="utf-8").strip():
        return f"{said['licence_file']} is empty"
    return ""


def store(version: str) -> None:
    """Fetch a version with npm and put its bundle, its licence and the manifest in place."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["npm", "pack", "--silent", f"{PACKAGE}@{version}"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
        with tarfile.open(Path(folder) / done.stdout.split()[-1]) as packed:
            bundle, licence = _member(packed, _BUNDLE), _member(packed, _LICENCE)
            about = json.loads(_member(packed, "package/package.json"))
    (FOLDER / "mqtt.min.js.gz").write_bytes(gzip.compress(bundle, 9, mtime=0))
    (FOLDER / "mqtt.licence.txt").write_bytes(licence)
    manifest = {
        "package": PACKAGE,
        "version": about["version"],
        "licence": about["license"],
        "licence_file": "mqtt.licence.txt",
        "file": "mqtt.min.js.gz",
        "member": _BUNDLE,
        "sha256": hashlib.sha256(bundle).hexdigest(),
        "date": date.today().isoformat(),
    }
    MANIFEST.write_text(json.dumps(manifest, indent=1) + "\n", encoding="utf-8")


def _member(packed: tarfile.TarFile, name: str) -> bytes:
    file = packed.extractfile(name)
    if file is None:
        raise SystemExit(f"the package holds no {name} any more")
    return file.read()


if __name__ == "__main__":
    sys.exit(main())
