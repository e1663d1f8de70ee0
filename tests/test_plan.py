"""The plan: closed forms against published ones, physics of the choice, made fields, page."""

import dataclasses
import math
import tomllib
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import spattermap
from spattermap.cli import main
from spattermap.core.errors import InputError
from spattermap.core.sidecar import read_sidecar
from spattermap.measure.sizes import particles_needed
from spattermap.noise.counting import currie_limits
from spattermap.plan import Choices, Known, Question, known_from, planning, samples_to_tell
from spattermap.plan.choices import Choice, Unlike, all_choices, choose_lines
from spattermap.plan.planning import plan, retimed
from spattermap.plan.screening import (
    coverage_error,
    detected,
    median_error,
    rates_of,
    screened,
    thickness_bound,
)
from spattermap.plan.trials import (
    PLAIN,
    Rate,
    Sample,
    Trial,
    combined,
    deposit_of,
    rate_of,
    try_field,
    worlds_of,
)
from spattermap.show.plan_page import curves_picture

BRASS, SILICA = {"Cu": 70.0, "Zn": 30.0}, {"Si": 46.7, "O": 53.3}
KNOWN = Known.stated(alloy=BRASS, substrate=SILICA)


def choice(energy=15.0, **changes):
    values = {"pixel_size_um": 0.5, "field_um": 60.0, "n_fields": 1, "field_minutes": 5.0,
              "blank_minutes": 1.0} | changes  # fmt: skip
    return Choice(energy, lines=choose_lines(("Cu", "Zn", "Si", "O"), energy), **values)


@pytest.mark.outside(
    "how often a count is found significant, at Currie's detection limit",
    source="Currie, Anal. Chem. 40 (1968) 586, eqs 11 to 15", known="from memory",
    tolerance="1e-6",
)  # fmt: skip
@pytest.mark.parametrize("background", [20.0, 100.0, 5000.0])
@pytest.mark.parametrize("ratio", [1.0, 5.0, math.inf])
def test_power_at_the_detection_limit_is_one_minus_beta(background, ratio):
    limit = currie_limits(background * (1 + 1 / ratio)).detection
    found = detected(float(limit), background, blank_ratio=ratio, alpha=0.05)
    assert found == pytest.approx(0.95, abs=1e-6)


def test_power_is_that_of_counted_numbers():
    rng = np.random.default_rng(5)
    signal, background = 60.0, 200.0
    gross = rng.poisson(signal + background, 20_000)
    blank = rng.poisson(background, 20_000)
    significant = gross - blank > 1.959964 * np.sqrt(2 * background)
    expected = detected(signal, background)
    error = math.sqrt(expected * (1 - expected) / significant.size)
    # Beside four binomial errors the step of whole counts: half a count of a spread of 21.
    assert abs(significant.mean() - expected) < 4 * error + 0.5 * 0.4 / 21


@pytest.mark.outside(
    "Cramer-Rao bound of a thickness whose line falls exponentially",
    source="Rao, Bull. Calcutta Math. Soc. 37 (1945) 81: variance >= 1 / information; here "
    "L^2 exp(t / L) / (n m0)", known="exact", tolerance="2e-3",
)  # fmt: skip
def test_thickness_bound_of_an_exponential_line():
    grid = np.linspace(0, 1000, 20_001)
    bound = thickness_bound(4.0 * np.exp(-grid / 150.0)[None], grid, 200.0, 500.0)
    exact = 150.0 * math.exp(200.0 / 300.0) / math.sqrt(500 * 4.0)
    assert bound == pytest.approx(exact, rel=2e-3)
    rng = np.random.default_rng(1)
    counts = rng.poisson(500 * 4.0 * math.exp(-200.0 / 150.0), 20_000)
    fitted = -150.0 * np.log(counts / (500 * 4.0))
    assert fitted.std() == pytest.approx(exact, rel=0.03)  # bias of the logarithm: 1 / (2 x 527)


def test_thickness_bound_of_the_layer_model_is_what_the_best_estimate_scatters_by():
    from spattermap.xrays.layers import layer_model

    model = layer_model(dict(choice().lines), BRASS, SILICA, beam_energy_keV=15.0)
    means = np.stack([30.0 * model.lines[e].substrate for e in SILICA])
    grid, nm, n = model.thickness_nm, 300.0, 400
    bound = thickness_bound(means, grid, nm, n)
    at = [np.interp(nm, grid, row) for row in means]
    counts = np.random.default_rng(3).poisson(n * np.array(at)[:, None], (2, 4000))
    fine = np.linspace(nm - 8 * bound, nm + 8 * bound, 1601)
    curves = n * np.array([np.interp(fine, grid, row) for row in means])
    likely = counts.T @ np.log(curves) - curves.sum(axis=0)
    fitted = fine[likely.argmax(axis=1)]
    # Four standard errors of a scatter from 4000: 4 / sqrt(8000); the grid is linear in pieces.
    assert fitted.std() == pytest.approx(bound, rel=0.045 + 0.03)
    assert fitted.mean() == pytest.approx(nm, abs=4 * bound / math.sqrt(4000) + 0.1 * bound)


@pytest.mark.outside(
    "relative error of an area fraction by points",
    source="ASTM E562: 10 % relative accuracy at 20 % takes 1600 points by 2 sqrt((1-P)/(P n))",
    known="from memory", tolerance="exact",
)  # fmt: skip
def test_coverage_by_the_point_rule():
    assert coverage_error(0.2, 1600) == pytest.approx(0.1)


@pytest.mark.outside(
    "number of particles for a mean of small power",
    source="Masuda & Iinoya, J. Chem. Eng. Japan 4 (1971) 60; ISO 13322-1", known="from memory",
    tolerance="1e-3",
)  # fmt: skip
@pytest.mark.parametrize("sigma_g", [1.2, 1.6])
def test_droplets_for_a_median(sigma_g):
    n = particles_needed(sigma_g, error=0.05, power=1e-3, basis=0) / 1e-6
    assert 1.959964 * median_error(sigma_g, n) == pytest.approx(0.05, rel=1e-3)


@pytest.mark.outside(
    "samples a group to tell half a standard deviation (power 0.8), and 0.8 of one (power 0.8)",
    source="Cohen, Statistical Power Analysis, 2nd ed. (1988), table 2.4.1: 64 and 26",
    known="from memory", tolerance="exact",
)  # fmt: skip
def test_samples_for_a_comparison():
    assert samples_to_tell(0.5, 1.0, power=0.8) == 64
    assert samples_to_tell(0.8, 1.0, power=0.8) == 26
    assert samples_to_tell(5.0, 0.0) == 2
    with pytest.raises(InputError, match="power"):
        samples_to_tell(1.0, 1.0, power=1.0)


def test_zinc_is_mapped_by_k_from_half_above_its_edge_on():
    # Edges of Cu K 8.979 and Zn K 9.659 keV (handbook): by half 13.5 and 14.5 keV.
    assert choose_lines(("Cu", "Zn"), 15.0) == {"Cu": "Cu Ka", "Zn": "Zn Ka"}
    assert choose_lines(("Cu", "Si"), 14.0)["Cu"] == "Cu Ka"
    assert choose_lines(("Cu", "Si"), 8.0)["Cu"] == "Cu La"
    # Between a fifth and a half the softer line, unless it overlaps another element's.
    assert choose_lines(("Zn", "Si"), 12.5)["Zn"] == "Zn La"
    assert choose_lines(("Cu", "Zn"), 12.5) == {"Cu": "Cu Ka", "Zn": "Zn Ka"}  # L lines leak
    assert choose_lines(("Zn", "Na"), 12.5)["Zn"] == "Zn Ka"  # Na Ka 1.041, Zn La 1.012 keV


def test_a_thin_oxide_asks_for_a_low_energy():
    thin = Known.stated(alloy=BRASS, substrate=SILICA, thickness_nm=60.0)
    question = Question("oxide", 5.0)
    rates = {e: screened(question, thin, choice(e)) for e in (5.0, 10.0, 20.0)}
    assert rates[5.0] > 0.95
    assert rates[5.0] > rates[10.0] > rates[20.0]
    through = [rates_of(thin, choice(e).lines, e) for e in (5.0, 20.0)]
    assert through[0].under["O"] < 0.1 * through[0].film["O"] < through[1].under["O"]


def test_thick_metal_asks_for_a_high_energy_to_be_weighed():
    thick = Known.stated(alloy=BRASS, substrate=SILICA, thickness_nm=500.0)
    question = Question("thickness", 20.0)
    low, high = (screened(question, thick, choice(e)) for e in (10.0, 20.0))
    assert low < 0.05 < 0.95 < high


def test_structure_of_the_map_set_keeps_open_what_even_fields_decide():
    zinc = Unlike("Zn", "on the metal", seen=0.09, made=0.0, counts=2.0, bulk_counts=5.0)
    assert zinc.scatter(5.0) == pytest.approx(1.18)
    known = dataclasses.replace(KNOWN, unlike=(zinc,))
    found = plan(known, ["apart Zn 30", "haze 5"], Choices(energies_keV=(15.0,)), made_fields=0)
    assert found.promises["verdict"].tolist() == ["open", "decided"]
    assert "times as much as counting" in found.open_questions[0]
    # Where no more is counted than in the map set, its own analysis has judged the structure.
    many = dataclasses.replace(zinc, bulk_counts=1e4)
    found = plan(dataclasses.replace(KNOWN, unlike=(many,)), ["apart Zn 30"],
                 Choices(energies_keV=(15.0,)), made_fields=0)  # fmt: skip
    assert found.promises["verdict"].tolist() == ["decided"]


def test_more_minutes_decide_more_and_a_bare_plate_is_needed():
    weak = Known.stated(alloy=BRASS, substrate=SILICA, counts_per_second=100.0)
    question = Question("apart", 2.0, "Zn")
    rates = [screened(question, weak, choice(field_minutes=m, blank_minutes=m / 5))
             for m in (0.1, 1.0, 10.0, 100.0)]  # fmt: skip
    assert rates == sorted(rates)
    assert rates[0] < 0.5 < rates[-1]
    assert screened(question, weak, choice(blank_minutes=0.0)) == 0.0


def test_time_is_shared_out_and_stretched():
    offered = Choices(minutes=20.0)
    for one in all_choices(KNOWN, offered):
        fields = one.n_fields * one.field_minutes + one.blank_minutes
        assert fields + one.n_fields + 1 == pytest.approx(20.0)
        assert one.dwell_s * one.side_px**2 == pytest.approx(60 * one.field_minutes)
        longer = retimed(one, KNOWN, 2.0)
        assert longer.n_fields * longer.field_minutes + longer.blank_minutes == pytest.approx(
            40.0 - one.n_fields - 1
        )


def test_fields_together_decide_where_none_contradicts():
    right, wrong, is_open = Sample(word="right"), Sample(word="wrong"), Sample(word="open")
    assert combined([right, is_open]).word == "right"
    assert combined([wrong, is_open]).word == "wrong"
    assert combined([right, wrong]).word == "open"
    two = combined([Sample(10, 8, 12, 10), Sample(12, 10, 14, 11)])
    assert (two.value, two.true) == (11, 10.5)
    assert two.high - two.low == pytest.approx(4 / math.sqrt(2))


def test_rates_count_words_numbers_and_pairs():
    words = {PLAIN: [Sample(word="right")] * 3, "Zn apart 30": [Sample(word="wrong")]}
    assert rate_of(Question("apart", 30, "Zn"), words, 1) == Rate(4, 4, 1)
    numbers = {PLAIN: [Sample(1.0, 0.95, 1.05, 1.0), Sample(1.0, 0.5, 1.5, 1.0),
                       Sample(1.0, 0.99, 1.01, 2.0), Sample()]}  # fmt: skip
    assert rate_of(Question("coverage", 10), numbers, 1) == Rate(4, 2, 1)
    sizes = {PLAIN: [Sample(1.0, 0.9, 1.1, 1.0), Sample(1.0, 0.9, 1.1, 1.0)],
             "D50 30": [Sample(1.3, 1.2, 1.4, 1.3), Sample(0.8, 0.7, 0.85, 1.3)]}  # fmt: skip
    assert rate_of(Question("sizes", 30), sizes, 1) == Rate(2, 2, 1)


def test_an_answer_that_is_often_wrong_is_not_promised(monkeypatch):
    def wrong_on_every_third(task):
        word = "wrong" if task.seed % 3 == 0 else "right"
        return {question: Sample(word=word) for question in task.questions}

    monkeypatch.setattr(planning, "try_field", wrong_on_every_third)
    offered = Choices(minutes=10.0, energies_keV=(15.0,), pixel_sizes_um=(0.5,))
    found = plan(KNOWN, ["haze 5"], offered, made_fields=20, scheduler="synchronous")
    row = found.promises.iloc[0]
    assert (row["decided"], row["verdict"]) == (1.0, "open")
    assert row["wrong"] > 0.2
    assert "wrongly" in found.open_questions[0]
    made = found.curves[found.curves["source"] == "made fields"]
    # Plainly open: no more fields than settle it, then those for three times the time.
    assert set(made["minutes"].round(3)) == {10.0, 30.0}
    assert found.n_made < 20


def test_choices_clearly_behind_are_dropped(monkeypatch):
    tried = []

    def only_twenty_decides(task):
        tried.append(task.choice.beam_energy_keV)
        word = "right" if task.choice.beam_energy_keV == 20.0 else "open"
        return {question: Sample(word=word) for question in task.questions}

    monkeypatch.setattr(planning, "try_field", only_twenty_decides)
    offered = Choices(minutes=20.0, energies_keV=(15.0, 20.0), pixel_sizes_um=(0.5,))
    found = plan(KNOWN, ["haze 5"], offered, made_fields=60, scheduler="synchronous")
    assert found.best.beam_energy_keV == 20.0
    assert tried.count(15.0) < 20 < tried.count(20.0)
    assert found.promises.iloc[0]["verdict"] == "decided"


@pytest.mark.parametrize(
    ("fields", "made"),
    [((10, 10, 0), False), ((40, 40, 0), False), ((80, 80, 0), True), ((10, 3, 0), True),
     ((10, 10, 4), True), ((20, 17, 0), False)],
)  # fmt: skip
def test_a_question_is_settled_where_more_fields_would_not_change_its_word(fields, made):
    assert planning._is_settled(Rate(*fields)) is made


def test_a_plan_goes_on_where_it_was_left(monkeypatch, tmp_path):
    made = []

    def counted(task):
        made.append(task)
        if len(made) == 7:
            raise KeyboardInterrupt
        seen = {q: Sample(1.0, 0.99, 1.01, 1.0) for q in task.questions if q.kind == "coverage"}
        words = {q: Sample(word="right") for q in task.questions if q.kind != "coverage"}
        return seen | words

    monkeypatch.setattr(planning, "try_field", counted)
    file = tmp_path / "made_fields.json"
    offered = Choices(minutes=10.0, energies_keV=(15.0, 20.0), pixel_sizes_um=(0.5,))
    given = {"made_fields": 20, "scheduler": "synchronous", "kept": file}
    asked = ["haze 5", "coverage 30"]
    with pytest.raises(KeyboardInterrupt):
        plan(KNOWN, asked, offered, **given)
    first = plan(KNOWN, asked, offered, **given)
    assert len(made) == 1 + first.n_made  # the one that was broken off was made again, no other
    again = plan(KNOWN, asked, offered, **given)
    assert len(made) == 1 + first.n_made
    assert again.summary() == first.summary()
    pd.testing.assert_frame_equal(again.promises, first.promises)
    n = len(made)
    plan(KNOWN, asked, offered, **(given | {"made_fields": 40}))
    assert 0 < len(made) - n <= 20 + 4
    n = len(made)
    plan(KNOWN, asked, offered, **given, seed=5)
    assert len(made) > n
    file.write_text("{ not whole", encoding="utf-8")
    assert plan(KNOWN, asked, offered, **given).summary() == first.summary()


def test_the_command_takes_an_earlier_plan_up(monkeypatch, tmp_path):
    made = []

    def counted(task):
        made.append(task)
        return {q: Sample(word="right") for q in task.questions}

    monkeypatch.setattr(planning, "try_field", counted)
    out = tmp_path / "out"
    words = ["plan", "--alloy", "Cu=70,Zn=30", "--substrate", "Si=46.7,O=53.3", "--ask", "haze 5",
             "--energies", "15", "--made-fields", "8", "--scheduler", "synchronous",
             "--out", str(out)]  # fmt: skip
    assert main(words) == 0
    n, page = len(made), (out / "plan.html").read_text(encoding="utf-8")
    assert main(words) == 0
    assert (len(made), (out / "plan.html").read_text(encoding="utf-8")) == (n, page)
    assert main([*words, "--overwrite"]) == 0
    assert len(made) == 2 * n
    assert not [item for item in out.iterdir() if item.name.startswith(".")]


def test_made_fields_hold_what_is_asked_about():
    asked = (Question("apart", 40, "Zn"), Question("oxide"), Question("haze", 10),
             Question("sizes", 50), Question("droplet", 1.0))  # fmt: skip
    made = {w.name: deposit_of(w, KNOWN, choice()) for w in worlds_of(asked)}
    assert made["plain"].layers == ()
    assert made["plain"].droplet_oxygen == 0
    assert made["Zn apart 40"].layers[0].share == pytest.approx(0.4)
    assert made["oxide 20"].droplet_oxygen == 20
    assert made["D50 50"].droplets.d50_px == pytest.approx(1.5 * made["plain"].droplets.d50_px)
    assert made["droplets 1"].droplets.d50_px == pytest.approx(2.0)
    from spattermap.synthesis import make_deposit

    truth = make_deposit(made["haze 10"], seed=2).truth
    assert 0.07 < truth["share_haze"] < 0.14


def test_a_made_field_goes_through_the_analysis():
    question = Question("apart", 60, "Zn")
    # Eight pixels a droplet: at four, thin rims lie outside the outlines and coverage reads low.
    fine = choice(pixel_size_um=0.25, field_um=30.0)
    task = {w.name: Trial(w, KNOWN, fine, (question, Question("coverage", 30)), 3)
            for w in worlds_of([question])}  # fmt: skip
    plain = try_field(task[PLAIN])
    assert plain[question].word in ("right", "open")
    coverage = plain[Question("coverage", 30)]
    assert coverage.low < coverage.true < coverage.high
    assert coverage.low < coverage.value < coverage.high
    assert coverage.true == pytest.approx(0.2, abs=0.03)
    assert list(try_field(task["Zn apart 60"])) == [question]
    assert try_field(task[PLAIN])[question] == plain[question]


def test_counts_of_each_element_are_those_that_were_read():
    rates = {"alloy_rates": {"Cu": 1500.0, "Zn": 300.0}, "bare_rates": {"Si": 4000.0, "Zn": 20.0}}
    known = Known.stated(alloy=BRASS, substrate=SILICA, **rates)
    assert known.counts_per_second == 1800.0
    assert "counts_per_second" not in known.assumed
    planned = choice(pixel_size_um=0.4, field_minutes=30.0)
    found = rates_of(known, planned.lines, 15.0)
    assert found.bulk["Zn"] == pytest.approx(300.0)
    assert found.bare("Si") == pytest.approx(4000.0)
    assert found.bare("Zn") == pytest.approx(20.0)
    # A line that was not read keeps the model's share: zinc by its soft line.
    soft = dict(planned.lines) | {"Zn": "Zn La"}
    plain = Known.stated(alloy=BRASS, substrate=SILICA, counts_per_second=1800.0)
    assert rates_of(known, soft, 15.0).bulk["Zn"] == pytest.approx(
        rates_of(plain, soft, 15.0).bulk["Zn"]
    )
    # Made fields hold what was read: a bare plate, and the droplets of a map set like these.
    from spattermap.synthesis import make_blank, make_deposit

    spec = deposit_of(worlds_of([])[0], known, planned)
    plate = make_blank(spec.with_changes(shape=(96, 96)), seed=5).maps
    dwell = planned.dwell_s
    for element, rate in (("Si", 4000.0), ("Zn", 20.0)):
        mean = float(plate["counts"].sel(element=element).mean())
        assert mean == pytest.approx(rate * dwell, abs=4 * math.sqrt(rate * dwell / 96**2))
    maps = make_deposit(spec, seed=4).maps
    like = known_from(maps, minutes=planned.field_minutes, blank=plate)
    assert like.alloy_rates["Zn"] / like.alloy_rates["Cu"] == pytest.approx(0.2, rel=0.1)
    assert like.bare_rates["Si"] == pytest.approx(4000.0, rel=0.02)
    # Zinc that lies elsewhere leaves the droplets little: that is no yield.
    apart = make_deposit(deposit_of(worlds_of([Question("apart", 60, "Zn")])[1], known, planned),
                         seed=4).maps  # fmt: skip
    found = known_from(apart, minutes=planned.field_minutes, blank=plate)
    assert set(found.alloy_rates) == {"Cu"}
    assert found.counts_per_second == pytest.approx(like.counts_per_second, rel=0.35)
    with pytest.raises(InputError, match="alloy_rates must name elements among Cu, Zn"):
        Known.stated(alloy=BRASS, substrate=SILICA, alloy_rates={"Si": 3.0})


def test_what_is_known_from_a_map_set_like_those_to_come():
    from spattermap.synthesis import make_blank, make_deposit

    planned = choice(pixel_size_um=0.4)
    spec = deposit_of(worlds_of([])[0], KNOWN, planned)
    maps = make_deposit(spec, seed=4).maps
    plate = make_blank(spec.with_changes(shape=(64, 64)), seed=5).maps
    found = known_from(maps, minutes=planned.field_minutes, blank=plate, sigma_g=1.45)
    assert found.counts_per_second == pytest.approx(KNOWN.counts_per_second, rel=0.3)
    assert found.coverage == pytest.approx(0.2, abs=0.04)
    assert found.d50_um == pytest.approx(2.0, rel=0.15)
    assert found.haze_percent < 3
    assert (found.alloy, found.rate_energy_keV, found.sigma_g) == (BRASS, 15.0, 1.45)
    assert found.unlike == ()  # the planner's own field is like the made ones
    rng = np.random.default_rng(8)
    rough = maps.copy(deep=True)
    silicon = rough["counts"].sel(element="Si").values
    silicon[...] = rng.poisson(silicon * rng.gamma(4.0, 0.25, silicon.shape))
    strange = known_from(rough, minutes=planned.field_minutes, blank=plate)
    assert {("Si", "on bare glass")} <= {(one.element, one.where) for one in strange.unlike}
    told = plan(strange, ["apart Zn 30"], Choices(), made_fields=0)
    assert "not like the made fields" in told.cautions[0]
    assert "Si on bare glass" in repr(told)
    assert "d50_um" not in found.assumed
    assert "beam_um" in found.assumed
    with pytest.raises(InputError, match="pixel_size_um"):
        known_from(maps.assign_attrs(quantity="intensity"), minutes=5.0)
    with pytest.raises(InputError, match="minutes"):
        known_from(maps, minutes=0.0)


@pytest.fixture(scope="module")
def small():
    lines = []
    offered = Choices(minutes=10.0, energies_keV=(15.0,), pixel_sizes_um=(0.4,),
                      field_sizes_um=(32.0,), n_fields=(1,))  # fmt: skip
    found = plan(
        KNOWN, ["apart Zn 60", "thickness 2"], offered, made_fields=4,
        scheduler="synchronous", progress=lines.append,
    )  # fmt: skip
    return found, lines


def test_a_plan_promises_what_the_made_fields_gave(small):
    found, lines = small
    assert found.n_made == 4  # two worlds, two seeds
    assert lines[0].startswith("Screened")
    row = found.promises.iloc[0]
    assert row["n_made"] == 4
    assert row["decided_low"] <= row["decided"] <= row["decided_high"]
    made = found.curves[found.curves["source"] == "made fields"]
    assert set(made["minutes"].round(6)) == {10.0}


def test_no_time_brings_a_thickness_below_what_the_layer_model_is_known_to(small):
    found, _ = small
    thin = found.promises.iloc[1]
    assert thin["verdict"] == "open"
    assert "layer model" in thin["needs"]
    assert "thickness to 2 %" in found.sentence
    assert "15 keV" in found.sentence


def test_the_plan_is_saved_and_its_sidecar_is_read(small, tmp_path):
    found, _ = small
    page = found.save(tmp_path / "plan")
    assert {p.name for p in page.parent.iterdir()} == {
        "plan.html", "promises.csv", "curves.csv", "lines.csv", "summary.json", "mapset.toml",
    }  # fmt: skip
    known = read_sidecar(page.parent / "mapset.toml")
    assert known["beam_energy_keV"] == 15.0
    assert known["lines"]["Zn"] == "Zn Ka"
    assert tomllib.loads(found.mapset_toml)["alloy"] == BRASS
    text = page.read_text(encoding="utf-8")
    for words in ("What to set", "What stays open", "Assumed, not stated: d50_um", "Zn Ka",
                  "screening evidence", "simulated", "trust the composition"):  # fmt: skip
        assert words in text
    assert "<script" not in text


def test_closed_forms_alone_answer_from_the_command(tmp_path, capsys):
    out = tmp_path / "plan"
    stated = ["--alloy", "Cu=70,Zn=30", "--substrate", "Si=46.7,O=53.3"]
    ask = ["--ask", "haze 5", "--ask", "apart Zn 30"]
    words = ["plan", *stated, *ask, "--made-fields", "0", "--energies", "10,15", "--out", str(out)]
    assert main(words) == 0
    said = capsys.readouterr()
    assert "counting alone would decide haze of 5 %" in said.out
    assert (out / "plan.html").is_file()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        (["--ask", "colour 5"], "question"),
        (["--ask", "apart Zn"], "apart Zn 30"),
        (["--ask", "apart Ag 30"], "Ag"),
        (["--ask", "haze 95"], "at most 90"),
        (["--ask", "haze nan"], "stake"),
        (["--alloy", "Cu70"], "--alloy"),
        (["--alloy", "Qq=70"], "alloy"),
        (["--substrate", "Si=46.7,Cu=3"], "share"),
        (["--energies", "fast"], "--energies"),
        (["--energies", "300"], "energies_keV"),
        (["--minutes", "0"], "minutes"),
        (["--minutes", "1"], "minutes"),
        (["--pixels", "0.01"], "px"),
        (["--coverage", "2"], "coverage"),
        (["--like", "nowhere", "--like-minutes", "5"], "nowhere"),
        (["--like", "nowhere"], "--like-minutes"),
        (["--seed", "-1"], "seed"),
        (["--n-fields", "1.5"], "whole"),
    ],
)
def test_bad_input_is_one_line(changes, says, tmp_path, capsys):
    given = {"--alloy": "Cu=70,Zn=30", "--substrate": "Si=46.7,O=53.3", "--ask": "apart Zn 30"}
    given |= dict(zip(changes[::2], changes[1::2], strict=True))
    words = [word for pair in given.items() for word in pair]
    assert main(["plan", *words, "--made-fields", "0", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err.strip().splitlines()
    assert len([line for line in said if line.startswith("spattermap:")]) == 1
    assert says in said[-1]
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_used_is_refused_before_any_work(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(planning, "plan", lambda *_, **__: pytest.fail("planned"))
    (tmp_path / "file").write_text("mine")
    words = ["plan", "--alloy", "Cu=70,Zn=30", "--substrate", "Si=46.7,O=53.3", "--ask", "haze 5"]
    assert main([*words, "--out", str(tmp_path / "file")]) == 2
    assert "must be a folder" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_nothing_asked_is_refused():
    with pytest.raises(InputError, match="at least one"):
        spattermap.plan(KNOWN, [])
    with pytest.raises(InputError, match="Raise one"):
        gold = Known.stated(alloy={"Au": 100.0}, substrate=SILICA)
        spattermap.plan(gold, ["haze 5"], Choices(energies_keV=(2.0,)))


def test_the_energies_stand_whole_beside_the_curves():
    rows = [
        {"topic": "one", "beam_energy_keV": energy, "minutes": minutes, "decided": 0.5,
         "wrong": float("nan"), "source": "closed form"}
        for energy in (5.0, 10.0, 15.0, 20.0)
        for minutes in (3.0, 30.0)
    ]  # fmt: skip
    given = SimpleNamespace(
        questions=[SimpleNamespace(topic="one")],
        curves=pd.DataFrame(rows),
        choices=SimpleNamespace(minutes=20.0),
    )
    picture = curves_picture(given)
    picture.draw_without_rendering()
    (legend,) = picture.legends
    assert len(legend.get_texts()) == 4
    for text in legend.get_texts():
        assert text.get_window_extent().x1 <= picture.bbox.x1
