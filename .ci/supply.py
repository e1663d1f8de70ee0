"""What Spattermap is delivered with: licences of every dependency, and a bill of materials.

    python .ci/supply.py [sbom.json]

Walks from the project's own requirements through the installed packages, prints name, version and
licence of each, and exits with 1 where a licence is not known to be compatible with GPL-3.0. With a
file name, writes a CycloneDX 1.5 bill of materials too; the release recipe does.
"""

import json
import re
import sys
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

# Licences whose code may be combined with GPL-3.0: list of the Free Software Foundation, "GPL-
# compatible free software licences", and the variants in which packages write them.
COMPATIBLE = re.compile(
    r"\b(0?BSD|MIT|Apache|PSF|PSFL|Python Software Foundation|ISC|MPL|Mozilla|GPL|GPLv3\+?|LGPL|"
    r"HPND|Zlib|CC0|Unlicense|public domain|Zope|ZPL|Matplotlib|NumPy|GNU|CNRI|MIT-CMU)\b",
    re.IGNORECASE,
)


def licence_of(package):
    """Return what a package says of its licence, from the newest field that has something."""
    facts = package.metadata
    classes = [c.rsplit("::", 1)[-1].strip() for c in facts.get_all("Classifier") or ()
               if c.startswith("License")]  # fmt: skip
    text = (facts.get("License") or "").strip().splitlines()
    stated = facts.get("License-Expression") or "; ".join(classes) or (text[0] if text else "")
    files = [file for file in package.files or () if "licen" in file.name.lower()]
    if not stated and files:  # nothing but the text itself: its heading
        stated = files[0].read_text(encoding="utf-8").strip().partition("\n")[0]
    return stated


def closure(root):
    """Return every installed package that the root needs, by name."""
    waiting, found = [(root, frozenset({"", "dev"}))], {}
    while waiting:
        name, extras = waiting.pop()
        try:
            package = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            continue  # of another system, or an extra nobody asked for
        key = re.sub(r"[-_.]+", "-", package.metadata["Name"]).lower()
        if key in found:
            continue
        found[key] = package
        for line in package.requires or ():
            need = Requirement(line)
            marker = need.marker
            if marker is None or any(marker.evaluate({"extra": extra}) for extra in extras):
                waiting.append((need.name, frozenset({"", *need.extras})))
    return found


def main():
    """Print the list and write the bill of materials."""
    found = closure("spattermap")
    rows = [(name, found[name].version, licence_of(found[name])) for name in sorted(found)]
    unclear = [row for row in rows if not COMPATIBLE.search(row[2])]
    for row in rows:
        print("{:32} {:16} {}".format(*row), " <- NOT KNOWN" * (row in unclear))
    print(f"{len(rows)} packages, {len(unclear)} with a licence not known to be compatible")
    if len(sys.argv) > 1:
        parts = [
            {"type": "library", "name": name, "version": version,
             "purl": f"pkg:pypi/{name}@{version}",
             "licenses": [{"license": {"name": licence or "not stated"}}]}
            for name, version, licence in rows
        ]  # fmt: skip
        bill = {"bomFormat": "CycloneDX", "specVersion": "1.5", "version": 1, "components": parts}
        Path(sys.argv[1]).write_text(json.dumps(bill, indent=1) + "\n", encoding="utf-8")
    return 1 if unclear else 0


if __name__ == "__main__":
    sys.exit(main())
