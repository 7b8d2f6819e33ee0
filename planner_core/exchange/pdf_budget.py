"""The pages of the error budget in the drilling sheet."""

from __future__ import annotations

from planner_core.exchange.pdf_fixture import percent
from planner_core.exchange.pdf_page import BOTTOM_MM, GREY, LEFT_MM, WIDTH_MM, SheetPage, printable
from planner_core.protocol.budget_page import BudgetPage, SiteRow

BAR_MM = 5.0
LIGHTEST, DARKEST = 235, 60
"""Grey of the smallest and the largest share of a bar; each share has its number beside it."""

AGREED = "Formula and random draws agree within 5 % at every site (chances: within 5 % of their limits)."

NAMED_FROM = 0.005
"""Smaller shares are not named in print."""


def budget_pages(pdf: SheetPage, page: BudgetPage) -> None:
    """Draw the budget from the present place on."""
    pdf.size(17, bold=True)
    pdf.cell(WIDTH_MM, 8, "Error budget")
    pdf.set_xy(LEFT_MM, pdf.get_y() + 9.0)
    pdf.paragraph("What error this bone forgives, how far the drill may stray, and which guide passes.", 9.5)
    _advice(pdf, page)
    _sites(pdf, page)
    for site in page.sites:
        _made_of(pdf, site)
    _guides(pdf, page)
    pdf.add_page()
    _basis(pdf, page)


def _advice(pdf: SheetPage, page: BudgetPage) -> None:
    pdf.heading("Advice" if page.passes else "No guide passes", 10.5, 1.5)
    pdf.paragraph(page.advice, 10, bold=True)
    pdf.bullets(page.then, points=8.5)
    if page.hangs_on:
        pdf.paragraph(f"The answer hangs on an assumption: {page.hangs_on}.", 9)
    value, low, high, draws = page.case_chance
    pdf.paragraph(
        f"With this plan's guide ({page.guide}) the chance of harm anywhere in this case is {percent(value)} "
        f"(95 % limits {percent(low)} to {percent(high)}, {draws:,} random draws).",
        9,
    )
    pdf.paragraph(page.limits, 8)


def _sites(pdf: SheetPage, page: BudgetPage) -> None:
    pdf.heading(f"Every site, with this plan's guide ({page.guide})", 10.5, 2.0)
    pdf.rows(
        [
            "Site", "Decides", "Chance", "Limit", "Leeway", "Needed", "All near", "By draws (95 % limits)",
            "Entry", "Apex", "Angle", "Depth",
        ],
        [_site(row) for row in page.sites],
        [10, 24, 14, 10, 14, 14, 14, 36, 12.5, 12.5, 12, 13],
        right=(2, 3, 4, 5, 6, 7, 8, 9, 10, 11),
        points=7.6,
        bold_columns=(0, 2, 4),
    )  # fmt: skip
    pdf.set_y(pdf.get_y() + 0.6)
    pdf.paragraph(
        "Harm: the drill reaches the structure's wall; what comes of that is not worked out. "
        "Leeway: the largest error towards the structure that does not yet reach it; needed: the leeway at which "
        "the chance equals its limit, mm. All near: chance of harm for everything marked near. Entry, apex (mm),"
        " angle (degrees), depth (± mm): 95 of 100 are expected to stay below.",
        7.5,
    )
    for text in page.agreement or (AGREED,):
        pdf.paragraph(text, 7.5)


def _site(row: SiteRow) -> list[str]:
    value, low, high = row.drawn
    limit = "–" if row.limit is None else f"{100 * row.limit:g} %"
    return [
        row.site.iso,
        row.obstacle or "nothing near",
        percent(row.chance),
        limit,
        _mm(row.leeway_mm),
        _mm(row.need_mm),
        percent(row.chance_all),
        f"{percent(value)} ({_bare(low)} to {_bare(high)})",
        f"{row.entry_p95_mm:.2f}",
        f"{row.apex_p95_mm:.2f}",
        f"{row.angle_p95_deg:.1f}",
        f"{row.depth_p95_mm:.2f}",
    ]


def _bare(chance: float) -> str:
    return percent(chance).removesuffix(" %")


def _made_of(pdf: SheetPage, row: SiteRow) -> None:
    if pdf.get_y() > 297.0 - BOTTOM_MM - 26.0:
        pdf.add_page()
    pdf.heading(f"{row.site.iso}: what the error at the apex is made of", 9.0, 1.5)
    y, x = pdf.get_y() + 0.5, LEFT_MM
    pdf.set_line_width(0.2)
    pdf.set_draw_color(0)
    for k, (_, share) in enumerate(row.shares):
        grey = int(DARKEST + (LIGHTEST - DARKEST) * k / max(1, len(row.shares) - 1))
        pdf.set_fill_color(grey)
        pdf.rect(x, y, share * WIDTH_MM, BAR_MM, style="DF")
        x += share * WIDTH_MM
    pdf.set_xy(LEFT_MM, y + BAR_MM + 0.8)
    named = [f"{label} {100 * share:.0f} %" for label, share in row.shares if share >= NAMED_FROM]
    rest = len(row.shares) - len(named)
    pdf.paragraph(
        "From left to right: " + ", ".join(named) + (f"; {rest} more under 0.5 % each." if rest else "."), 8
    )
    helps = "; ".join(f"{label}: {percent(after)}" for label, after in row.helps)
    pdf.paragraph(
        f"Chance of harm for everything near {percent(row.chance_all)}. With one thing changed, computed anew: "
        f"{helps}."
        if helps
        else "None of the changes tried lowers the chance of harm here.",
        8,
    )


def _guides(pdf: SheetPage, page: BudgetPage) -> None:
    pdf.heading("Every guide compared, all sites", 10.5, 2.0)
    pdf.rows(
        ["Guide", "Verdict", "Largest chance", "Spare, mm", "Burden", "Against it"],
        [[g.guide, g.verdict, percent(g.chance), _mm(g.spare_mm), g.burden, g.why or "–"] for g in page.guides],
        [46, 20, 23, 17, 36, 44],
        right=(2, 3),
        points=7.8,
        bold_columns=(1,),
    )
    pdf.set_y(pdf.get_y() + 0.6)
    pdf.paragraph(
        "Largest chance: of harm at any one structure. Spare: leeway minus need, the least of all sites. Passes: "
        "every chance within its limit. The least burden that passes is advised; among equals the least chances "
        "for their limits.",
        7.5,
    )


def _basis(pdf: SheetPage, page: BudgetPage) -> None:
    pdf.heading("What the numbers stand on", 10.5, 2.0)
    pdf.pairs([("Own outcomes", page.own_data)], points=8.5)
    pdf.heading("Published clinical means beside this model in its reference configurations", 9.0, 1.0)
    pdf.rows(
        ["Series", "Published (95 % limits)", "Here", ""],
        [[f.series, f.published, f.ours, f.verdict] for f in page.published],
        [92, 44, 20, 30],
        right=(1, 2),
        points=7.4,
    )
    pdf.heading("In-house sayings, unmeasured, never used as numbers", 9.0, 1.0)
    pdf.bullets(page.sayings, points=7.5)
    pdf.heading("Assumed without a published source", 9.0, 1.0)
    pdf.size(7.2)
    pdf.set_text_color(GREY)
    text = "; ".join(f"{label} {value} [{mark}]" for label, value, mark in page.assumed)
    pdf.multi_cell(WIDTH_MM, 3.4, printable(text + "."))
    pdf.set_text_color(0)
    pdf.paragraph(
        "[M] from memory or common practice. What each number does between its ends is shown on the screen.", 7.2
    )


def _mm(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
