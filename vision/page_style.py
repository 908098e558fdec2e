"""The look of the collection's page: one style sheet, light and dark, on paper, filters without script."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

SHEET: Final = """
:root{color-scheme:light dark;--paper:#f6f5f1;--card:#fff;--ink:#1d232b;--soft:#5c6672;--line:#d9d6cd;
--mark:#7a4b00;--chip:#eceae3}
@media (prefers-color-scheme:dark){:root{--paper:#15181d;--card:#1f242b;--ink:#eceef1;--soft:#a3adb8;
--line:#363d47;--mark:#ffd27a;--chip:#2a3038}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.45 system-ui,sans-serif}
header,nav,main,footer{max-width:76rem;margin:0 auto;padding:0 1.25rem}
header{padding-top:1.5rem}
h1{font-size:1.6rem;margin:0 0 .25rem}
header p,footer p{margin:.1rem 0 .6rem;color:var(--soft)}
input.pick{position:absolute;opacity:0;pointer-events:none}
nav{display:grid;gap:.5rem;padding-bottom:1rem}
fieldset{border:0;margin:0;padding:0;display:flex;flex-wrap:wrap;gap:.4rem;align-items:center}
fieldset b{min-width:4.5rem;font-weight:600}
nav label{background:var(--chip);border:1px solid var(--line);border-radius:1rem;padding:.2rem .75rem;
cursor:pointer;font-size:.93rem}
nav label small{color:var(--soft);margin-left:.3rem}
section{background:var(--card);border:1px solid var(--line);border-radius:.6rem;margin:0 0 1rem;
padding:1rem 1.1rem}
section{display:grid;grid-template-columns:15rem 1fr;gap:1.1rem}
.case>svg{width:104px;height:104px;border-radius:.4rem;display:block;margin-bottom:.5rem}
@media (max-width:46rem){header,nav,main,footer{padding-left:.75rem;padding-right:.75rem}
section{grid-template-columns:1fr;padding:.8rem}
.case{display:grid;grid-template-columns:104px 1fr;gap:.9rem;align-items:start}}
h2{font-size:1.15rem;margin:0}
h2::first-letter{text-transform:uppercase}
code{font:600 .93em ui-monospace,monospace;color:var(--mark);white-space:nowrap}
.cue{margin:.15rem 0 0;color:var(--soft)}
.shots{display:grid;grid-template-columns:repeat(auto-fill,minmax(15rem,1fr));gap:.9rem;align-content:start}
figure{margin:0;border:1px solid var(--line);border-radius:.5rem;overflow:hidden;background:var(--paper);
display:flex;flex-direction:column}
.see{position:relative;aspect-ratio:4/3;background:#0003}
.see img{position:absolute;inset:0;width:100%;height:100%;object-fit:cover}
.see svg{position:absolute;right:.4rem;bottom:.4rem;width:68px;height:68px;border-radius:.35rem;
box-shadow:0 0 0 1px #0004}
.see i{position:absolute;inset:0;display:grid;place-items:center;text-align:center;padding:1rem}
figcaption{padding:.55rem .7rem .7rem;font-size:.9rem;display:grid;gap:.3rem}
.turns{font:600 1rem/1.35 ui-monospace,monospace;overflow-wrap:anywhere}
.turns u{color:var(--mark);text-underline-offset:.2em}
.from{color:var(--soft);overflow-wrap:anywhere}
.none{display:none;padding:2rem 0;color:var(--soft)}
footer{padding-bottom:2rem}
@media print{:root{--paper:#fff;--card:#fff;--ink:#000;--soft:#333;--line:#bbb;--mark:#000;--chip:#fff}
nav{display:none}body{font-size:10pt}section{break-inside:avoid;border-color:#999}
.case,figure{break-inside:avoid}section{grid-template-columns:9rem 1fr;padding:.6rem}.case{display:block}
.shots{grid-template-columns:repeat(3,1fr)}.turns{font-size:9pt}.see svg{width:52px;height:52px}
header,main,footer{padding:0}
svg,img{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"""


def filter_rules(families: Sequence[str], edges: Sequence[str], pairs: Iterable[tuple[str, str]]) -> str:
    """Rules that hide what a chosen family and edge pattern leave out.

    ``pairs`` are the (family, edges) that occur; where the choice leaves nothing, the line that says so
    shows. The inputs stand before ``nav`` and ``main`` as their siblings, families first.
    """
    present = set(pairs)
    rules = []
    for kind, values in (("f", families), ("e", edges)):
        for value in values:
            chosen = f"#{kind}-{value}:checked"
            if value != "all":
                rules.append(f"{chosen}~main section:not(.{kind}-{value}){{display:none}}")
            label = f"~nav label[for={kind}-{value}]"
            rules.append(f"{chosen}{label}{{background:var(--ink);color:var(--paper)}}")
            rules.append(f"{chosen}{label} small{{color:inherit}}")
            rules.append(f"#{kind}-{value}:focus-visible{label}{{outline:3px solid var(--mark)}}")
    for family in families:
        for edge in edges:
            if not any(family in (f, "all") and edge in (e, "all") for f, e in present):
                rules.append(f"#f-{family}:checked~#e-{edge}:checked~main .none{{display:block}}")
    return "\n".join(rules)
