"""The index page's style sheet: paper, ink and two signal colours; it prints without the pages."""

CSS = """
:root { --paper:#faf8f4; --ink:#262421; --soft:#6d675f; --rule:#d9d3c7; --finding:#b04a00;
  --review:#00588f; --clear:#8a948f; }
* { box-sizing:border-box; }
html { color-scheme:light; }
body { margin:0; background:var(--paper); color:var(--ink);
  font:17px/1.55 "Iowan Old Style","Palatino Linotype",Palatino,"Book Antiqua",Georgia,serif; }
main, header, footer { max-width:1120px; margin:0 auto; padding:0 28px; }
header { padding-top:64px; padding-bottom:8px; }
.over { font-size:14px; letter-spacing:.08em; color:var(--soft); margin:0 0 10px; }
h1 { font-weight:500; font-size:40px; line-height:1.15; margin:0 0 18px; max-width:19em;
  text-wrap:balance; }
h2 { font-weight:500; font-size:27px; line-height:1.2; margin:0; }
h3 { font-weight:600; font-size:16px; margin:26px 0 8px; }
p { max-width:40em; }
.lede { font-size:19px; }
.caution { border-left:3px solid var(--finding); padding:2px 0 2px 18px; margin:26px 0; }
.caution p { margin:6px 0; }
section { border-top:1px solid var(--rule); margin-top:52px; padding-top:26px; }
table { border-collapse:collapse; width:100%; font-variant-numeric:tabular-nums; font-size:16px; }
th { font-weight:400; color:var(--soft); font-size:14px; text-align:left; }
th, td { padding:7px 14px 7px 0; border-bottom:1px solid var(--rule); vertical-align:baseline; }
td.n, th.n { text-align:right; white-space:nowrap; }
td.n + td:not(.n), th.n + th:not(.n) { padding-left:22px; padding-right:0; }
td:first-child { white-space:nowrap; }
h2 + .wide { margin-top:14px; }
tr.sum td { font-weight:600; border-bottom-color:var(--ink); }
.bar { display:flex; height:9px; min-width:150px; background:#e8e3d9; }
.bar i { display:block; height:100%; }
.bar .f { background:var(--finding); }
.bar .r { background:repeating-linear-gradient(90deg,var(--review) 0 4px,#9dc0d6 4px 7px); }
.wide { overflow-x:auto; }
.sheet-head { display:flex; flex-wrap:wrap; gap:6px 22px; align-items:baseline; }
.tally { color:var(--soft); font-size:16px; }
.tally b { font-weight:600; color:var(--ink); }
figure { margin:22px 0 8px; }
figure img { display:block; max-width:100%; height:auto; border:1px solid var(--rule); }
figcaption { color:var(--soft); font-size:15px; padding-top:8px; max-width:none; }
.places { display:grid; grid-template-columns:repeat(auto-fill,minmax(215px,1fr)); gap:20px 18px;
  list-style:none; margin:12px 0 0; padding:0; }
.places li { display:flex; flex-direction:column; gap:8px; font-size:15px; line-height:1.4; }
.crop { aspect-ratio:5/4; display:flex; align-items:center; justify-content:center; overflow:hidden;
  background:#efeae0; border:1px solid var(--rule); border-top:4px solid var(--finding); }
.review .crop { border-top:4px dashed var(--review); }
.crop img { width:100%; height:100%; object-fit:contain; display:block; }
.crop summary { cursor:pointer; padding:10px 14px; color:var(--soft); font-size:14px;
  text-align:center; list-style-position:inside; }
.crop details[open] summary { display:none; }
.no { font-weight:600; color:var(--finding); }
.review .no { color:var(--review); }
.at { color:var(--soft); font-size:14px; }
ul.plain { margin:6px 0; padding-left:1.1em; columns:2 22em; column-gap:40px; font-size:16px; }
ul.plain li { break-inside:avoid; margin-bottom:4px; }
dl { display:grid; grid-template-columns:minmax(9em,13em) 1fr; gap:8px 24px; font-size:16px; }
dt { font-weight:600; } dd { margin:0; }
a { color:var(--review); text-underline-offset:3px; text-decoration-thickness:1px; }
a:focus-visible, summary:focus-visible { outline:3px solid var(--review); outline-offset:2px; }
footer { border-top:1px solid var(--rule); margin-top:56px; padding-top:18px; padding-bottom:56px;
  color:var(--soft); font-size:15px; }
code { font:14px/1.4 ui-monospace,"DejaVu Sans Mono",Menlo,monospace; }
@media (max-width:640px) {
  body { font-size:16px; } main, header, footer { padding-left:18px; padding-right:18px; }
  h1 { font-size:31px; } header { padding-top:36px; } dl { grid-template-columns:1fr; gap:2px; }
  dd { margin-bottom:10px; } ul.plain { columns:1; }
}
@media print {
  body { background:#fff; font-size:11pt; } figure, .in-name .crop { display:none; }
  section { break-inside:auto; margin-top:24px; } .places { grid-template-columns:repeat(3,1fr); }
  .places li { break-inside:avoid; }
}
"""
