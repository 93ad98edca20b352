"""The look of the record's page: plain, dark on white, the same on paper.

Owns the style and nothing else. No font, picture or link comes from outside.
"""

STYLE = """
:root { color-scheme: light; --ink: #1d2126; --soft: #5a6470; --rule: #c9cfd6; --deep: #1f5a92;
  --warm: #b45f06; --stop: #a3232b; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.5rem; max-width: 66rem; background: #fff; color: var(--ink);
  font: 15px/1.45 system-ui, "Liberation Sans", sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .2rem; }
h2 { font-size: 1.1rem; margin: 1.8rem 0 .5rem; padding-bottom: .15rem;
  border-bottom: 2px solid var(--ink); break-after: avoid; }
h3 { font-size: .95rem; margin: 1rem 0 .3rem; break-after: avoid; }
p { margin: .3rem 0; max-width: 46rem; }
.kind { color: var(--soft); letter-spacing: .06em; margin: 0; }
.note, caption { color: var(--soft); font-size: .85rem; }
ul { margin: .3rem 0; padding-left: 1.2rem; }
.mind { border-left: 5px solid var(--stop); padding: .4rem .9rem; margin: 1rem 0; }
.mind.well { border-color: var(--deep); }
.wide { overflow-x: auto; margin: .4rem 0 .8rem; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: .86rem; }
caption { text-align: left; padding-bottom: .25rem; }
th, td { padding: .16rem .7rem .16rem 0; text-align: left; vertical-align: top;
  white-space: nowrap; }
.t { white-space: normal; min-width: 6rem; }
thead th { white-space: normal; }
th:last-child, td:last-child { padding-right: 0; }
thead th { border-bottom: 1px solid var(--ink); font-weight: 600; vertical-align: bottom; }
tbody tr { border-bottom: 1px solid var(--rule); break-inside: avoid; }
tbody th { font-weight: 400; }
.n { text-align: right; }
.pair { display: flex; flex-wrap: wrap; gap: 0 3rem; }
td strong { color: var(--stop); }
.cautions { font-size: .85rem; }
section:not(.long) { break-inside: avoid; }
h2 + p { break-after: avoid; }
figure { margin: .5rem 0 1rem; break-inside: avoid; }
figcaption { font-size: .85rem; }
.pours { display: grid; grid-template-columns: repeat(auto-fill, minmax(14rem, 1fr)); gap: .4rem; }
.pours figure { margin: 0; }
.dab { display: inline-block; width: 1.8em; height: .9em; vertical-align: -.1em;
  border: 1px solid var(--rule); print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.swatch { display: inline-block; width: 1.4em; border-top: 2px solid; vertical-align: middle; }
svg.chart { width: 100%; height: auto; display: block; }
.chart .background { fill: none; }
.chart .axis text { font: 10px system-ui, "Liberation Sans", sans-serif; fill: var(--soft); }
.chart .axis.x text { text-anchor: middle; }
.chart .axis.y text { text-anchor: end; }
.chart .guide { stroke: #e3e6ea; fill: none; }
.chart .axis > .guides > .axis { stroke: #8a939d; fill: none; }
.chart .series path { fill: none; stroke-width: 1.3; }
.chart .values path { stroke: #a9b6c4; stroke-width: 1; }
.chart .values circle { fill: var(--deep); }
.chart .average path, .swatch.average { stroke: var(--warm); stroke-width: 2; color: var(--warm); }
.chart .centre path { stroke: #8a939d; }
.chart .limit path, .swatch.limit { stroke: var(--stop); stroke-dasharray: 6 3; color: var(--stop);
  border-top-style: dashed; }
.chart .narrow path, .swatch.narrow { stroke: var(--warm); stroke-dasharray: 2 3;
  color: var(--warm); border-top-style: dotted; }
.chart .pour path { stroke: var(--deep); }
.chart .pour.second path { stroke: var(--warm); }
.chart .target path { stroke: #8a939d; stroke-dasharray: 4 3; stroke-width: 1; }
.chart .ease circle { fill: #fff; stroke: var(--ink); }
.chart .stop circle { fill: var(--ink); }
@page { margin: 14mm 12mm; }
@media print {
  body { max-width: none; padding: 0; font-size: 9.5pt; }
  table { font-size: 8pt; }
  h1 { font-size: 17pt; }
  .wide { overflow: visible; }
  .pours { grid-template-columns: repeat(3, 1fr); }
}
"""
