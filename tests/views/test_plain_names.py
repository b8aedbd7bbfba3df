"""Materials and storms are called by their names wherever a person reads of use and season."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.finished_county import STORM
from tests.views.plain_names import KEYS, keys_seen
from tests.web.visitors import browser

REPORTS = (
    f"{STORM}/use_report.html",
    "season/season_report.html",
    "season/environment_report.html",
)
PAGES = ("/use", f"/use/{STORM}", f"/use/{STORM}/segment?i=3", f"/use/{STORM}/places", "/season")


def test_keys_are_found_wherever_they_are_read():
    assert {"rock_salt", STORM} <= set(KEYS)
    for page in (
        "<p>10 tons of rock_salt were used.</p>",
        '<svg aria-label="rock_salt: 10 tons"></svg>',
        "<td>rock<wbr>_salt</td>",
        f"<h1>{STORM}</h1>",
    ):
        assert len(keys_seen(page)) == 1, page
    for page in (
        '<a href="/use/rock_salt">Rock salt</a>',
        f"<p>results/{STORM}/use_segments.csv, rock_salt.csv</p>",
        f"<p>Rock salt<script>{STORM}</script></p>",
    ):
        assert keys_seen(page) == [], page


@pytest.mark.slow
@pytest.mark.parametrize("report", REPORTS)
def test_reports_call_things_by_name(finished_county: Path, report: str):
    page = (finished_county / "results" / report).read_text(encoding="utf-8")
    assert keys_seen(page) == []
    assert "Rock salt" in page


@pytest.mark.slow
@pytest.mark.parametrize("address", PAGES)
def test_pages_call_things_by_name(finished_county: Path, address: str):
    answer = browser(finished_county).get(address)
    assert answer.status_code == 200
    assert keys_seen(answer.text) == []
