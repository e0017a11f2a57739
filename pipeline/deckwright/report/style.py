"""The look of the control sheet: one style sheet for screen, dark screen and A4 paper."""

from __future__ import annotations

STYLE = """
:root{--page:#fbfaf6;--ink:#211f1b;--soft:#6a6455;--rule:#d6cfbd;--strong:#211f1b;--tint:#f1ecdf;
--accent:#1c5054;--alarm:#8c1c13}
@media (prefers-color-scheme:dark){:root{--page:#181917;--ink:#ece7da;--soft:#a9a290;--rule:#3d3b34;
--strong:#ece7da;--tint:#23241f;--accent:#8cc5c2;--alarm:#f0a097}}
*{box-sizing:border-box}
html{background:var(--page);color:var(--ink);color-scheme:light dark}
body{margin:0 auto;max-width:194mm;padding:9mm 5mm 14mm;font:15px/1.45 system-ui,"Segoe UI",
"DejaVu Sans",Verdana,sans-serif;font-variant-numeric:tabular-nums lining-nums}
h1,h2,.big{font-family:"Iowan Old Style",Palatino,"Palatino Linotype","DejaVu Serif",Georgia,serif}
h1{font-size:27px;line-height:1.2;font-weight:600;margin:0}
h2{font-size:17px;font-weight:600;margin:30px 0 8px;break-after:avoid}
p{margin:6px 0;max-width:72em}
code,pre,.mono{font-family:ui-monospace,"DejaVu Sans Mono",Menlo,Consolas,monospace;font-size:.86em}
.soft{color:var(--soft)}
.kicker{color:var(--accent);font-size:12px;letter-spacing:.14em;text-transform:uppercase;
font-weight:600;margin:0 0 3px}
header{border-bottom:2px solid var(--strong);padding:0 0 13px 0;position:relative}
header svg{display:block;width:100%;height:9px;margin-top:14px;color:var(--soft)}
.verdict{margin:20px 0 6px;border:1.5px solid var(--strong);padding:14px 20px 12px}
.verdict.bad{border:4px double var(--alarm)}
.says{display:flex;gap:10px;align-items:center;font-size:17px;font-weight:600}
.says svg{width:22px;height:22px;flex:none;color:var(--accent)}
.bad .says,.bad .says svg{color:var(--alarm)}
.equation{display:flex;flex-wrap:wrap;align-items:flex-start;gap:4px 16px;margin:8px 0 0}
.equation div{min-width:74px}
.equation .big{font-size:36px;line-height:1.15;display:block}
.equation .sign{min-width:0;font-size:28px;line-height:1.5;color:var(--soft)}
.equation small{color:var(--soft);font-size:13px}
table{border-collapse:collapse;width:100%;font-size:14px}
caption{text-align:left;color:var(--soft);padding:0 0 5px;font-size:13px}
th{font-weight:600;text-align:left;vertical-align:bottom;font-size:12.5px;color:var(--soft);
border-bottom:1.2px solid var(--strong);padding:4px 14px 4px 0}
td{vertical-align:top;border-bottom:1px solid var(--rule);padding:5px 14px 5px 0}
tr{break-inside:avoid}
th.n,td.n{text-align:right;white-space:nowrap}
th:last-child,td:last-child{padding-right:0}
td.nil{color:var(--soft)}
tfoot td{border-bottom:0;border-top:1.2px solid var(--strong);font-weight:600}
.hash{font-size:11px;line-height:1.4;padding-top:7px;min-width:19.5em;overflow-wrap:anywhere}
td.name{white-space:nowrap}td.mono{padding-top:7px}
.kind{color:var(--soft);font-size:.88em}
.stage{display:grid;grid-template-columns:34px 1fr;border-bottom:1px solid var(--rule);
padding:9px 0;break-inside:avoid}
.stage>b{font-size:18px;line-height:1.25;color:var(--accent)}
dl{display:flex;flex-wrap:wrap;gap:2px 24px;margin:4px 0 0;font-size:13.5px}
dl div{display:flex;gap:7px}dt{color:var(--soft)}dd{margin:0;font-weight:600}
.four{display:grid;grid-template-columns:repeat(4,1fr);border:1px solid var(--rule);
margin:7px 0 2px}
.four div{padding:6px 10px;border-left:1px solid var(--rule)}
.four div:first-child{border-left:0}
.four .big{font-size:23px;display:block;line-height:1.2}
.four small{color:var(--soft);font-size:12.5px}
.proof{margin:6px 0 0;font-size:13.5px}
figure{margin:16px 0 22px;break-inside:avoid}
figure svg{width:100%;height:auto;display:block}
figcaption{font-weight:600;margin-bottom:5px}
pre{margin:4px 0;overflow-x:auto;line-height:1.3;font-size:12px}
pre i{color:var(--soft);font-style:normal}
ol.why{margin:4px 0 0;padding-left:2em;font-size:14px}
.sign-off{display:grid;grid-template-columns:1.2fr 1.6fr .8fr;gap:26px;margin:46px 0 6px;
break-inside:avoid}
.sign-off div{border-top:1.2px solid var(--strong);padding-top:4px;
font-size:12.5px;color:var(--soft)}
@page{size:A4;margin:13mm 12mm 14mm}
@media print{:root{--page:#fff;--ink:#000;--soft:#4c4a45;--rule:#bdb8ac;--strong:#000;--tint:#fff;
--accent:#123f42;--alarm:#8c1c13}
html{color-scheme:light}
body{padding:0 1px;max-width:none;font-size:9.4pt;line-height:1.36}
h1{font-size:17pt}h2{font-size:11.5pt;margin:4.4mm 0 1mm}header{padding-bottom:2mm}
header svg{margin-top:2mm}.verdict{margin:3.4mm 0 0;padding:2.4mm 4mm 2mm}
.equation{margin:0}.equation .big{font-size:23pt}
table{font-size:8.6pt}caption{font-size:8.4pt;padding:0 0 1px}th{font-size:8pt;padding-top:1px;
padding-bottom:2px}td{padding-top:2.4px;padding-bottom:2.4px}.hash,td.mono{padding-top:3px}
.hash{font-size:7.4pt}.sign-off{margin:12mm 0 0}.details{break-before:page}
figure{margin:0 0 4mm}figure svg{max-width:148mm}figcaption{margin-bottom:1px}}
@media (max-width:640px){.four{grid-template-columns:1fr 1fr}.wide{overflow-x:auto}}
"""
"""Nothing hangs on colour or background: both may be missing on paper."""
