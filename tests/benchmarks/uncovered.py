"""Write the page of uncovered lines from a coverage record; run by hand.

    coverage json -o coverage.json
    python tests/benchmarks/uncovered.py coverage.json tests/reference/coverage.md

Every uncovered block is listed with its function, its first words and the kind of code it is; the
commands that make the record stand on the page itself.
"""

import ast
import json
import sys
from pathlib import Path

COMMANDS = """# Branch coverage

The tests run {share:.1f} % of the lines and branches of `toolkit/`: of {statements:,} lines
{missed:,} are not run, of {branches:,} branches {partial:,} are not taken. Measured with Python
3.11 and the versions of `constraints.txt`, without the browser and calibration tests, in two runs,
because compiled code is invisible to the first:

```
coverage erase
coverage run -m pytest
NUMBA_DISABLE_JIT=1 coverage run -m pytest tests/test_regions.py tests/test_segmentation.py \\
    tests/test_mosaics.py tests/test_morphology_placement.py
coverage combine
coverage json -o coverage.json
python tests/benchmarks/uncovered.py coverage.json tests/reference/coverage.md
```

Notebook kernels, workers of a sweep and the child that reads HDF5 files are processes of their
own; coverage follows them (`patch = subprocess` in `pyproject.toml`) as long as they end by
themselves. A process that is killed leaves no record: the work of the HDF5 child is therefore
tested in the process of the tests too (`tests/test_loaders_probe.py`).

What is not run, by kind (a script sorts the blocks by their words; line numbers are those of the
version measured):

| kind | blocks | why it is left |
|---|---|---|
{kinds}

"""
KINDS = {
    "refusal": "One more refusal, in the form of those tested: rule, what was found, next step.",
    "damage": "A library's error for a damaged file, or a race: it differs by version; fuzzing and "
    "fault runs by hand (`fuzz_loaders.py`, `faults.py`) come here.",
    "platform": "Another system, a missing package, or a process that is killed.",
    "little": "The answer where there is too little data to say more: NaN, nothing, or a sentence.",
    "note": "A sentence added for a rare case.",
    "branch": "A condition whose other side the tests take; here nothing is left out but the jump.",
}
# For what is none of these: the longest beginning of "file function" that fits tells why.
REASONS = {
    "": "a rare case without a test of its own",
    "show/pictures": "a droplet pointed at on the panel: the browser test comes here",
    "show": "a rare mixture of known and unknown numbers",
    "loaders": "a rare layout of a file; fuzzing comes here (`fuzz_loaders.py`)",
    "loaders/spectra": "a line at the very end of the energy axis",
    "loaders/probe.py": "in a forked child of the process that owns the worker",
    "loaders/probe_worker": "the script's own call; its process is killed before it can record",
    "measure/placement": "safety: discs that do not overlap fill under 16 entries each",
    "measure/form": "more droplets than are simulated: calibration scenes come here",
    "analysis_parts": "a field larger than a quick test holds; `mosaic.py` comes here",
    "panel": "asked by a live notebook: the browser test comes here",
    "show/report": "a blank given by path; the demo's reports come here",
    "segment": "an early way out where a field holds too little to go on",
    "segment/ground": "a field of more pixels than are sampled: large scenes come here",
    "sweeps": "an extreme of many deposits: the demo's sheet and the benchmark come here",
}
PLATFORM = ("ImportError", "sys.platform", "os.name", "os._exit", "KilledWorker")
LITTLE = tuple(
    "nan;return None;return [];return {};return False;return True;return 0;Fragment(;_undecided;"
    "nothing_to_draw;pd.DataFrame(;continue;break;TOO_WEAK;_no_".split(";")
)


def kind_of(words):
    """Return the kind of an uncovered block by its words."""
    text = " ".join(words)
    if any(sign in text for sign in PLATFORM):
        return "platform"
    if words[0].startswith("except") or "raise readable" in text or "except " in text:
        return "damage"
    if "raise" in text:
        return "refusal"
    if any(sign in text for sign in LITTLE):
        return "little"
    if "notes" in text or ".append(" in text or "said" in text or text.startswith("return ["):
        return "note"
    return "rare"


def functions_of(tree):
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [(n.lineno, n.end_lineno, n.name) for n in ast.walk(tree) if isinstance(n, kinds)]


def blocks_of(name, found):
    """Yield function, lines, first words and kind of every uncovered block of a file."""
    source = Path(name).read_text(encoding="utf-8")
    text, functions = source.splitlines(), functions_of(ast.parse(source))

    def home(line):
        return max((one for one in functions if one[0] <= line <= one[1]), default=(0, 0, "-"))[2]

    groups = []
    for line in found["missing_lines"]:
        near = groups and line - groups[-1][-1] <= 2 and home(line) == home(groups[-1][0])
        if near:
            groups[-1].append(line)
        else:
            groups.append([line])
    for group in groups:
        first, last = group[0], group[-1]
        words = [text[line - 1].strip() for line in range(first, last + 1)]
        where = str(first) if first == last else f"{first}-{last}"
        yield home(first), where, words[0], kind_of(words)
    missed = set(found["missing_lines"])
    for here, there in found.get("missing_branches", []):
        if here not in missed and abs(there) not in missed:
            end = "end" if there < 0 else there
            yield home(here), f"{here} to {end}", text[here - 1].strip(), "branch"


def main():
    record = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
    rows, kinds = [], dict.fromkeys(KINDS, 0)
    for name, found in sorted(record["files"].items()):
        blocks = list(blocks_of(name, found))
        if blocks:
            short = Path(name).as_posix().partition("spattermap/")[2]
            share = found["summary"]["percent_covered"]
            heads = "| function | lines | code | kind, or why |"
            rows += [f"\n## `{short}`, {share:.0f} %\n", heads, "|---|---|---|---|"]
        for function, lines, words, kind in blocks:
            place, why = f"{short} {function}", kind
            if kind == "rare":
                why = REASONS[max(filter(place.startswith, REASONS), key=len)]
            else:
                kinds[kind] += 1
            code = words[:90].replace("|", "\\|").replace("`", "'")
            rows.append(f"| {function} | {lines} | `{code}` | {why} |")
    total = record["totals"]
    page = COMMANDS.format(
        share=total["percent_covered"], statements=total["num_statements"],
        missed=total["missing_lines"], branches=total["num_branches"],
        partial=total["missing_branches"],
        kinds="\n".join(f"| {name} | {kinds[name]} | {why} |" for name, why in KINDS.items()),
    )  # fmt: skip
    Path(sys.argv[2]).write_text(page + "\n".join(rows).lstrip() + "\n", encoding="utf-8")
    print(f"{total['percent_covered']:.2f} %", kinds)


if __name__ == "__main__":
    main()
