"""The README can be read at one sitting, and what it points to is there."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
# Silent reading of English non-fiction: 238 words a minute (Brysbaert, J. Mem. Lang. 109 (2019)
# 104047; from memory).
WORDS_A_MINUTE = 238


def test_it_takes_less_than_five_minutes():
    assert len(TEXT.split()) < 5 * WORDS_A_MINUTE


def test_its_links_lead_somewhere():
    targets = [t for t in re.findall(r"\]\(([^)]+)\)", TEXT) if "://" not in t]
    assert targets
    for target in targets:
        assert (ROOT / target).exists(), target


def test_the_table_of_rooms_names_every_module_and_no_other():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`.+?) \|", text, flags=re.MULTILINE)
    named = {name for row in rows for name in re.findall(r"`(\w+)/?`", row)}
    package = ROOT / "toolkit" / "spattermap"
    modules = {item.stem for item in package.iterdir() if item.suffix == ".py" or item.is_dir()}
    assert named == {name for name in modules if not name.startswith("_")}
