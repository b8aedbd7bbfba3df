"""The fingerprint of the inputs."""

from __future__ import annotations

from spreadplan.workspace.fingerprint import input_fingerprint


def test_it_changes_with_any_input_and_with_nothing_else(workspace):
    folder = workspace()
    first = input_fingerprint(folder)
    (folder / "results").mkdir()
    (folder / "results" / "budget.csv").write_text("a\n1\n")
    (folder / ".notes.csv").write_text("hidden")
    (folder / "about-the-files.html").write_text("a page")
    assert input_fingerprint(folder) == first
    rates = folder / "storms/s1/rates.csv"
    text = rates.read_text()
    rates.write_text(text.replace("200", "201"))
    assert input_fingerprint(folder) != first
    rates.write_text(text)
    assert input_fingerprint(folder) == first
    rates.rename(rates.with_name("rates2.csv"))
    assert input_fingerprint(folder) != first


def test_what_drivers_write_is_no_input_of_a_plan(workspace):
    folder = workspace()
    plans, all_of_it = input_fingerprint(folder, issued=False), input_fingerprint(folder)
    log = folder / "storms/s1/driver_log.csv"
    log.write_text("time,truck_id,route_id,surface\n2026-12-01T10:05Z,T1,R1,wet\n")
    assert input_fingerprint(folder, issued=False) == plans
    assert input_fingerprint(folder) != all_of_it
    log.rename(log.with_name("driver_log2.csv"))
    assert input_fingerprint(folder, issued=False) != plans
