"""The look of the reading report, beside that of the control sheet, and what it forbids."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256

from deckwright.report.style import STYLE

READING_STYLE = (
    STYLE
    + """
body{max-width:1180px}
h3{font-size:15px;font-weight:600;margin:20px 0 8px;break-after:avoid}
h3 svg,figcaption svg,td>svg{width:17px;height:17px;flex:none;vertical-align:-3px}
td.much{width:40%;vertical-align:middle;color:var(--accent)}
td.much svg{width:100%;height:10px;display:block}
.legend{display:flex;flex-wrap:wrap;gap:4px 18px;font-size:13px;margin:8px 0 4px}
.legend span{display:inline-flex;align-items:center;gap:7px}
.legend svg{background:#faf6ea;padding:2px;width:14px;height:31px}
.whole{break-inside:avoid}.map{min-width:720px}.line{min-width:880px}
figcaption small{color:var(--soft);font-weight:400;overflow-wrap:anywhere}
figure p{font-size:13px;margin:3px 0 0}
.columns{display:grid;grid-template-columns:repeat(auto-fill,minmax(244px,1fr));gap:24px 26px}
.columns figure,.contact figure,.lines figure{margin:0}
.columns figcaption small{display:block}
.columns svg{max-height:430px}
.lines figure{border-top:1px solid var(--rule);padding:8px 0 10px}
.lines small{margin-left:12px}
.contact{display:grid;grid-template-columns:repeat(auto-fill,minmax(206px,1fr));gap:20px 18px}
.contact img{display:block;width:100%;height:auto}
.contact figure{border-top:2px solid var(--accent);padding-top:6px}
.contact .look{border-top:3px dashed var(--strong)}
.contact .bad{border-top:5px double var(--alarm)}
.contact figcaption{display:flex;flex-wrap:wrap;gap:1px 7px;align-items:center;font-weight:400;
font-size:13.5px;margin:5px 0 0}
.contact figcaption svg{color:var(--accent)}.contact .bad figcaption svg{color:var(--alarm)}
.contact small{flex-basis:100%}
.contact p{line-height:1.35}
.none{border:1px solid var(--rule);color:var(--soft);aspect-ratio:7375/3250;display:grid;
place-items:center;font-size:13px}
@media (max-width:640px){.columns,.contact{grid-template-columns:1fr 1fr;gap:18px 14px}
.columns svg{max-height:none}.equation div{min-width:56px}}
@media print{.map,.line{min-width:0}figure svg.map{max-width:160mm}figure svg.line{max-width:none}
.columns{grid-template-columns:repeat(4,1fr);gap:4mm 5mm}
.contact{grid-template-columns:repeat(4,1fr);gap:3mm 4mm}
.columns svg{max-height:52mm}figure p,.contact figcaption{font-size:8pt}.legend{font-size:8pt}
.legend svg,img,svg{print-color-adjust:exact;-webkit-print-color-adjust:exact}
h3{font-size:10pt;margin:3mm 0 1mm}.wide{overflow:visible}}
"""
)

_DIGEST = b64encode(sha256(READING_STYLE.encode("utf-8")).digest()).decode("ascii")

POLICY = (
    f"default-src 'none'; img-src data:; style-src 'sha256-{_DIGEST}'; base-uri 'none'; "
    "form-action 'none'"
)
"""Content-Security-Policy of the page: nothing but its own style and the pictures within it."""
