"""The guide's page of result files, made from the schema.

``python -m spreadplan.views.result_guide > templates/guide/results.md`` makes it anew; a test
compares the two.
"""

from __future__ import annotations

from typing import Final

from spreadplan.schema.results import RESULTS, ResultTable

HEAD: Final = """# The result files, column by column

Everything that a command found out is below `results/`, in plain files. The input files are \
described in `about-the-files.html`.

Tables are CSV in UTF-8 with a header. A unit is the end of a column's name: `_lb` pounds, `_ton` \
short tons of 2,000 lb, `_ft` feet, `_in` inches, `_mi` miles, `_m` meters, `_pct` percent, `_f` \
degrees Fahrenheit, `_mph` miles per hour, `_gal` US gallons, `_cfs` cubic feet a second, `_mg_l` \
milligrams a liter, `_s` seconds, `_h` hours. Columns keep these units in a metric workspace \
too; sentences in them, and reports, are in the workspace's units. `_lo` and `_hi` are the ends of \
an interval, 95 % where nothing else is said, `_u` is a standard uncertainty. An empty cell \
means: not known. Names are those of the input files; every verdict is listed under [decision \
rules](method.md#decision-rules).
"""
#: heading, folder and names of its tables, and what lies beside them
_PARTS: Final = (
    (
        "Calibration",
        "beside a certificate of each truck and the blank `work_sheet.html`",
        ("tests", "models", "discharge", "drift", "advice"),
    ),
    (
        "Plan of a storm",
        "beside `plan_report.html`, the cards in `cab_cards/` and the map "
        "`plan.gpkg`, whose fields carry the same meanings; `plan_areas.csv` only with lots in "
        "`areas.csv`, `plan_reassigned.csv` only where a "
        "plan is late, `plan_options.csv` only of the rest of a storm, those on scarce salt only "
        "where a yard is short",
        (
            "plan_segments",
            "plan_routes",
            "plan_yards",
            "plan_settings",
            "plan_reloads",
            "plan_melting",
            "plan_weather",
            "plan_findings",
            "plan_areas",
            "plan_reassigned",
            "plan_options",
            "plan_scarce",
            "plan_scarce_classes",
            "plan_scarce_yards",
            "plan_scarce_haul",
        ),
    ),
    (
        "Use of a storm",
        "beside `use_report.html` and the map `use.gpkg`; `use_ahead_of_plow.csv` and "
        "`use_temperatures.csv` only where records tell of plows, or of the pavement, "
        "`use_driver_log.csv` only where drivers wrote something down, `use_buckets.csv` "
        "only where buckets were counted",
        (
            "use_segments",
            "use_trucks",
            "use_routes",
            "use_ahead_of_plow",
            "use_temperatures",
            "use_driver_log",
            "use_buckets",
            "balance",
            "quarantine",
            "use_points",
        ),
    ),
    (
        "Season",
        "beside `season_report.html`, `environment_report.html` and `season.xlsx`, which has the "
        "same tables for people: in the units of the workspace, with its names of materials and "
        "storms, and a last sheet that says what each column holds",
        (
            "budget",
            "by_storm",
            "by_route",
            "by_yard",
            "by_truck",
            "by_route_and_storm",
            "burn_down",
            "severity",
            "fair_routes",
            "fair_storms",
            "chloride",
            "chloride_basis",
            "prewet_chloride",
            "screening",
            "season_concentration",
            "evidence",
            "repeated",
            "savings",
            "truck_history",
            "yard_books",
            "findings",
        ),
    ),
    ("Comparing plans", "in the storm's folder, beside `scenario_report.html`", ("scenarios",)),
)


def result_guide() -> str:
    """The page as Markdown: each table with its columns in the order of the file."""
    parts = [HEAD]
    for heading, beside, names in _PARTS:
        folder = RESULTS[names[0]].folder.replace("{storm}", "STORM")
        parts.append(f"## {heading}\n\nFiles of `{folder}/`, {beside}.\n")
        parts += [_table(RESULTS[name]) for name in names]
    return "\n".join(parts)


def _table(table: ResultTable) -> str:
    place = "" if table.folder == "{storm}" else f"{table.folder}/"
    rows = [f"| `{column.name}` | {column.meaning} |" for column in table.columns]
    return "\n".join(
        [
            f"### {place}{table.name}.{table.ending}",
            "",
            table.meaning,
            "",
            "| column | meaning |",
            "| --- | --- |",
            *rows,
            "",
        ]
    )


if __name__ == "__main__":
    print(result_guide(), end="")
