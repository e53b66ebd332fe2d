"""Judging again on a real small study: no signal is read, and every change has its cause."""

from __future__ import annotations

import shutil
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.intake.files.read import read_signal
from quietsleep.measure.pool import InProcess, measuring_pool
from quietsleep.night.rejudge import (
    NotMeasured,
    Rejudged,
    item_changes,
    rejudge_study,
    rule_changes,
)
from quietsleep.night.stages import run_night
from quietsleep.review.desk import read_published, waiting_trials, write_down
from quietsleep.study.register import FILE, RegisterError
from quietsleep.study.review_log import Review, ReviewError, reviews_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.registered import open_register

DECISION = """
[[limits]]
rule = "single_occlusion.long_fit"
limit = 99.99
valid_from = 2000-01-02
reason = "A limit that nothing meets."
signed_by = "coordinator-1"
signed_on = 2026-04-01
"""


LEAK = "A leak at the mask shows in volume or flow."


@pytest.fixture(autouse=True)
def no_signal_is_read(monkeypatch: pytest.MonkeyPatch, judged_study: Path) -> None:
    """Let every way to a signal or a table of a delivery raise; the first night is over.

    Only the recordings with known truth, which lie in the installation, may be measured.
    """

    def refuse(*_: Any, **__: Any) -> None:
        raise AssertionError("a signal or a delivery was read")

    def read(path: Path, *given: Any, **named: Any) -> Any:
        return read_signal(path, *given, **named) if "known_answers" in path.parts else refuse()

    monkeypatch.setattr("quietsleep.measure.recording.read_signal", read)
    for name in (
        "site.traces.load_recording",
        "intake.ingest.read_delivery",
        "measure.pool.MeasuringPool.measure",
    ):
        monkeypatch.setattr(f"quietsleep.{name}", refuse)
    here = InProcess()
    monkeypatch.setattr(here, "measure", refuse)
    monkeypatch.setattr("quietsleep.night.stages.measuring_pool", lambda workers: nullcontext(here))


def ask(path: Path, sql: str, *values: object) -> list[tuple[Any, ...]]:
    with open_current(path) as warehouse:
        return warehouse.execute(sql, list(values)).fetchall()


def trial_of(path: Path, machine: str) -> dict[str, Any]:
    """Return the first single occlusion of that status."""
    published = read_published(load_study(path))
    rows = published.trials[
        (published.trials["machine"] == machine)
        & (published.trials["technique"] == "single_occlusion")
    ]
    return dict(rows.iloc[0])


def say(path: Path, trial: dict[str, Any], reader: str, decision: Any, reason: str = "") -> Review:
    given = reason or ("sound_manoeuvre" if decision == "accept" else "leak_seen")
    return write_down(
        load_study(path), trial["trial"], centre=trial["centre"], reader=reader,
        decision=decision, reason=given, new_reader=True,
    )  # fmt: skip


def status(path: Path, trial: dict[str, Any]) -> str:
    where = "SELECT status FROM trials WHERE centre = ? AND trial = ?"
    ((found,),) = ask(path, where, trial["centre"], trial["trial"])
    return str(found)


def verdicts(path: Path, trial: dict[str, Any]) -> dict[str, tuple[str, str | None]]:
    rows = ask(
        path,
        "SELECT rule, state, waiver FROM verdicts WHERE item_kind = 'trial' AND centre = ? "
        "AND item = ? AND severity = 'reject'",
        trial["centre"],
        trial["trial"],
    )
    return {rule.partition(".")[2]: (state, waiver) for rule, state, waiver in rows}


def refuse_all(path: Path) -> Rejudged:
    """Change a limit so that no single occlusion is accepted any more, and judge again."""
    with (path / "limits.toml").open("a", encoding="utf-8") as file:
        file.write(DECISION)
    return rejudge_study(path)


@pytest.fixture(scope="module")
def refused(judged_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The judged study with every single occlusion refused; do not change it."""
    path = tmp_path_factory.mktemp("refused") / "demo"
    shutil.copytree(judged_study, path, symlinks=True)
    refuse_all(path)
    return path


@pytest.fixture
def refused_path(refused: Path, tmp_path: Path) -> Path:
    """A copy of the study without any accepted single occlusion."""
    path = tmp_path / "refused"
    shutil.copytree(refused, path, symlinks=True)
    return path


def test_a_changed_limit_changes_verdicts_without_reading_a_signal(
    study_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # In processes of their own, as whoever judges again does; the other tests judge in this one.
    monkeypatch.setattr("quietsleep.night.stages.measuring_pool", measuring_pool)
    before = ask(study_path, "SELECT count(*) FROM trials WHERE technique = 'single_occlusion' "
                 "AND status = 'accepted'")  # fmt: skip
    assert before[0][0] > 3
    rejudged = refuse_all(study_path)
    assert rejudged.report.published and rejudged.report.n_measured == 0
    assert rejudged.report.state != "red", rejudged.report.sentences
    rules = rule_changes(rejudged.changes)
    (row,) = rules[rules["rule"] == "single_occlusion.long_fit"].to_dict("records")
    assert (row["before"], row["after"], row["cause"]) == ("pass", "fail", "limit")
    items = item_changes(rejudged.changes)
    trials = items[items["kind"] == "trial"]
    assert len(trials) == before[0][0]
    assert set(trials["after"]) == {"rejected"} and set(trials["cause"]) == {"limit"}
    assert {"test", "outcome"} <= set(items["kind"])
    accepted = ask(study_path, "SELECT count(*) FROM trials WHERE technique = 'single_occlusion' "
                   "AND status = 'accepted'")  # fmt: skip
    assert accepted == [(0,)]


def test_nothing_changed_is_said(study_path: Path) -> None:
    rejudged = rejudge_study(study_path)
    assert rejudged.report.idle and rejudged.changes.empty
    answer = CliRunner().invoke(app, ["rejudge", str(study_path)])
    assert answer.exit_code == 0 and "No rule, waiver or decision has changed" in answer.output


def test_new_deliveries_are_named_and_left(study_path: Path) -> None:
    old = next((study_path / "deliveries" / "larch").iterdir())
    new = old.with_name("later")
    new.mkdir()
    (new / "delivery.json").write_text("{}", encoding="utf-8")
    rejudged = rejudge_study(study_path)
    assert rejudged.report.published
    assert any("larch/later" in note for note in rejudged.notes)
    assert ask(study_path, "SELECT count(*) FROM deliveries WHERE delivery = 'later'") == [(0,)]


def test_measures_of_other_code_are_refused(
    study_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietsleep.measure.plan.measuring_fingerprint", lambda technique: "other")
    (study_path / "waivers.toml").unlink()
    with pytest.raises(NotMeasured, match=r"measured by other code.*quietsleep nightly"):
        rejudge_study(study_path)
    answer = CliRunner().invoke(app, ["rejudge", str(study_path)])
    assert answer.exit_code == 2 and "quietsleep nightly" in answer.output


def test_what_was_never_measured_is_refused(study_path: Path, tmp_path: Path) -> None:
    from quietsleep.store.state import State

    with State(study_path / "work") as state:
        state.run("DELETE FROM measured WHERE item = (SELECT min(item) FROM measured)")
    (study_path / "waivers.toml").unlink()
    with pytest.raises(NotMeasured, match=r"1 [a-z]+ was never measured"):
        rejudge_study(study_path)


def test_two_readers_overturn_and_the_machine_is_still_seen(refused_path: Path) -> None:
    trial = trial_of(refused_path, "rejected")
    failed = {rule for rule, (state, _) in verdicts(refused_path, trial).items() if state == "fail"}
    assert "long_fit" in failed
    say(refused_path, trial, "reader-1", "accept")
    say(refused_path, trial, "reader-1", "accept")
    rejudge_study(refused_path)
    assert status(refused_path, trial) == "rejected", "one reader twice is not two readers"
    second = say(refused_path, trial, "reader-2", "accept")
    rejudged = rejudge_study(refused_path)
    assert status(refused_path, trial) == "accepted"
    found = verdicts(refused_path, trial)
    for rule in failed:
        assert found[rule] == ("waived", f"{second.review}/{rule}")
    # What the rules alone say is still there, and so is the sentence.
    published = read_published(load_study(refused_path))
    same = published.trials["trial"] == trial["trial"]
    assert published.trials.loc[same, "machine"].tolist() == ["rejected"]
    (waiver,) = ask(refused_path, "SELECT signed_by, reason FROM waivers WHERE waiver = ?",
                    f"{second.review}/long_fit")  # fmt: skip
    assert waiver[0] == "reader-1, reader-2" and "sound" in waiver[1]
    causes = item_changes(rejudged.changes)
    assert causes.loc[causes["item"].str.endswith(trial["trial"]), "cause"].tolist() == ["review"]


def test_a_waiver_is_seen_in_provenance(refused_path: Path) -> None:
    published = read_published(load_study(refused_path))
    own = published.trials[published.trials["technique"] == "single_occlusion"]
    session = own["session"].iloc[0]
    rows = own[own["session"] == session]
    for trial in rows.to_dict("records"):
        for reader in ("reader-1", "reader-2"):
            say(refused_path, trial, reader, "accept", "long_fit")
    rejudge_study(refused_path)
    ((status_now, waivers),) = ask(
        refused_path,
        "SELECT DISTINCT status, waivers FROM provenance WHERE session = ? "
        "AND outcome = 'crs_single_ml_kpa'",
        session,
    )
    assert "rv-" in waivers and "/long_fit" in waivers
    assert status_now == "accepted"


def test_one_reader_rejects_and_two_others_overturn(study_path: Path) -> None:
    trial = trial_of(study_path, "accepted")
    say(study_path, trial, "reader-1", "reject")
    rejudge_study(study_path)
    assert status(study_path, trial) == "rejected"
    assert verdicts(study_path, trial)["reader_accepts"] == ("fail", None)
    why = "SELECT why FROM trials WHERE centre = ? AND trial = ?"
    ((said,),) = ask(study_path, why, trial["centre"], trial["trial"])
    assert said == "A reader looked at this trial and rejected it. " + LEAK
    say(study_path, trial, "reader-2", "accept", "agrees_with_rules")
    rejudge_study(study_path)
    assert status(study_path, trial) == "rejected"
    last = say(study_path, trial, "reader-3", "accept", "agrees_with_rules")
    rejudge_study(study_path)
    assert status(study_path, trial) == "accepted"
    waived = verdicts(study_path, trial)["reader_accepts"]
    assert waived == ("waived", f"{last.review}/reader_accepts")
    agreement = ask(
        study_path,
        "SELECT first, second, n_trials, agreement_pct FROM review_agreement "
        "WHERE technique = 'single_occlusion' ORDER BY ALL",
    )
    assert agreement == [
        ("reader-1", "machine", 1, 0.0), ("reader-1", "reader-2", 1, 0.0),
        ("reader-1", "reader-3", 1, 0.0), ("reader-2", "machine", 1, 100.0),
        ("reader-2", "reader-3", 1, 100.0), ("reader-3", "machine", 1, 100.0),
    ]  # fmt: skip


def test_acceptances_do_not_lift_a_rule_their_readers_never_saw_fail(study_path: Path) -> None:
    trial = trial_of(study_path, "accepted")
    for reader in ("reader-1", "reader-2"):
        say(study_path, trial, reader, "accept", "agrees_with_rules")
    refuse_all(study_path)
    assert status(study_path, trial) == "rejected"


def test_a_changed_register_turns_every_night_red_and_nothing_is_published(
    refused_path: Path,
) -> None:
    passed, refused = trial_of(refused_path, "rejected"), None
    for reader in ("reader-1", "reader-2"):
        say(refused_path, passed, reader, "accept")
    published = read_published(load_study(refused_path)).trials
    refused = dict(published[published["machine"] == "accepted"].iloc[0])
    say(refused_path, refused, "reader-1", "reject", "artefact_in_signal")
    rejudge_study(refused_path)
    assert (status(refused_path, passed), status(refused_path, refused)) == ("accepted", "rejected")
    file, current = refused_path / FILE, current_night(refused_path)
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("reader-2", "reader-9"), encoding="utf-8")
    run = CliRunner()
    for _ in range(3):
        with pytest.raises(RegisterError, match="was changed: entry"):
            rejudge_study(refused_path)
        night = run_night(refused_path)
        assert night.state == "red" and not night.published and not night.idle
        assert "was changed: entry" in night.sentences[0] and "--mend" in night.sentences[0]
        with pytest.raises(RegisterError, match="was changed"):
            say(refused_path, refused, "reader-1", "accept")
        assert run.invoke(app, ["register", str(refused_path)]).exit_code == 2
    assert current_night(refused_path) == current
    answer = run.invoke(app, ["register", str(refused_path), "--mend"])
    assert answer.exit_code == 0 and "Put back" in answer.output
    assert "as it was written down" in run.invoke(app, ["register", str(refused_path)]).output
    assert not rejudge_study(refused_path).report.idle
    assert (status(refused_path, passed), status(refused_path, refused)) == ("accepted", "rejected")


def test_a_shortened_register_is_found_out_with_work_and_copy_gone(study_path: Path) -> None:
    trial = trial_of(study_path, "accepted")
    say(study_path, trial, "reader-1", "reject")
    published = rejudge_study(study_path).report.night
    shutil.rmtree(study_path / "work")
    text = (study_path / FILE).read_text(encoding="utf-8")
    (study_path / FILE).write_text(text.partition("\n")[0] + "\n", encoding="utf-8")
    for _ in range(2):
        night = run_night(study_path)
        assert night.state == "red" and not night.published
        assert "this machine knew" in night.sentences[0]
        assert night.night > published
    run = CliRunner()
    assert "backup" in run.invoke(app, ["register", str(study_path), "--mend"]).output
    means = ["register", str(study_path), "--meant", "--by", "coordinator-1"]
    assert "Say why" in run.invoke(app, means).output
    said = run.invoke(
        app, [*means, "--reason", "The decisions of the first week were a rehearsal."]
    )
    assert said.exit_code == 0 and "Written down" in said.output


def test_a_decision_does_not_outlive_the_signal_that_was_read(study_path: Path) -> None:
    from quietsleep.store.state import State

    trial = trial_of(study_path, "accepted")
    say(study_path, trial, "reader-1", "reject")
    with State(study_path / "work") as state:
        state.run("UPDATE trials SET start_s = start_s + 100, end_s = end_s + 100")
    rejudge_study(study_path)
    assert status(study_path, trial) == "accepted"
    assert ask(study_path, "SELECT state FROM reviews") == [("other_signal",)]


def test_what_cannot_stand_is_not_written_down(study_path: Path) -> None:
    study = load_study(study_path)
    trial = trial_of(study_path, "accepted")
    good: dict[str, Any] = {
        "trial": trial["trial"], "reader": "reader-1", "decision": "reject",
        "reason": "leak_seen", "centre": trial["centre"],
    }  # fmt: skip
    for wrong, said in (
        ({"trial": "nothing#1"}, "no trial"),
        ({"reader": "Maria Schmidt"}, "no code"),
        ({"reader": "Schmidt"}, "person's name"),
        ({"reason": "sound_manoeuvre"}, "no reason to reject"),
        ({"reason": "raised_volume.early_peak"}, "no reason"),
        ({"note": "as mother said, call 0171 2345678"}, "telephone"),
        ({"note": "Anna was awake"}, "name of a person"),
        ({"note": "two\nlines"}, "one line"),
    ):
        with pytest.raises(ReviewError, match=said):
            write_down(study, **good | wrong, new_reader=True)
    assert reviews_of(open_register(study)) == ()
    write_down(study, **good | {"note": "Leak from 3 s on, 20 mL."}, new_reader=True)
    with pytest.raises(ReviewError, match=r"Is reader-1 meant.*--new-reader"):
        write_down(study, **good | {"reader": "reader-l"})


def test_the_list_shows_who_waits_and_a_blind_list_hides_why(study_path: Path) -> None:
    waiting = waiting_trials(load_study(study_path))
    assert len(waiting)
    run = CliRunner()
    wide = {"COLUMNS": "200"}
    shown = run.invoke(app, ["review", str(study_path), "--limit", "500"], env=wide).output
    blind = run.invoke(app, ["review", str(study_path), "--limit", "500", "--blind"], env=wide)
    for trial in waiting["trial"]:
        assert trial in shown and trial in blind.output
    assert "accepted" in shown
    for word in ("accepted", "rejected", "flagged", "borderline", "second reading"):
        assert word not in blind.output
    trial = dict(waiting.iloc[0])
    arguments = ["decide", str(study_path), trial["trial"], "--centre", trial["centre"], "--accept",
                 "--reader", "reader-1", "--reason", "agrees_with_rules", "--blind"]  # fmt: skip
    assert run.invoke(app, arguments).exit_code == 2
    written = run.invoke(app, [*arguments, "--new-reader"])
    assert written.exit_code == 0 and "rv-000001" in written.output
    listed = run.invoke(app, ["review", str(study_path), "--limit", "500", "--reader", "reader-1"],
                        env=wide)  # fmt: skip
    assert trial["trial"] not in listed.output
