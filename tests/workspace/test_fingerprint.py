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
