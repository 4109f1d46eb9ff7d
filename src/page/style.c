/* The style sheet of every page.
 *
 * Plain as a workshop card: one column, strong rules between parts, figures that line up. Colours are those of the
 * overlay (blue, orange, violet, black: apart for every common form of colour blindness, and in lightness too), lifted
 * on a dark screen; each verdict has a form as well. On paper nothing is cut in two that belongs together. No character
 * here may need escaping, so that the page stays XML. */
#include <stddef.h>

#include "page_internal.h"

const char *const SP_PAGE_STYLE[] = {
    "\n:root{--ground:#fff;--ink:#1b1b1a;--soft:#5b5b57;--rule:#1b1b1a;--hair:#d9d8d3;--band:#e9e4d4;"
    "--within:#185cb0;--out:#c75404;--undecided:#702276;--missing:#101010}\n",
    "@media (prefers-color-scheme:dark){:root{--ground:#191918;--ink:#eceae4;--soft:#a8a69f;--rule:#eceae4;"
    "--hair:#3d3c39;--band:#3a3527;--within:#7db4f5;--out:#ff9b4f;--undecided:#dd9be6;--missing:#f4f2ec}}\n",
    "*{box-sizing:border-box}\n"
    "html{background:var(--ground);color:var(--ink);font:17px/1.5 'Source Sans 3','Segoe UI',Roboto,Helvetica,'DejaVu "
    "Sans',sans-serif;-webkit-text-size-adjust:100%}\n"
    "body{margin:0 auto;max-width:62rem;padding:1.2rem 1rem 3rem}\n",
    "h1,h2,h3,p,ul,dl,figure{margin:0}\n"
    "h1{font-size:1.05rem;font-weight:600}\n"
    "h1 bdi{display:block;font-size:1.6rem;line-height:1.2;overflow-wrap:anywhere}\n"
    "h2{font-size:1.3rem;line-height:1.25;margin-bottom:.7rem}\n"
    "h3{font-size:1.05rem;margin:1.3rem 0 .3rem}\n",
    "header{padding-bottom:.9rem}\n"
    "header .layout,.note,footer{color:var(--soft)}\n"
    ".by-hand{display:none}\n"
    "section{border-top:3px solid var(--rule);padding-top:.8rem;margin-top:2.2rem}\n"
    "section.verdict{margin-top:0}\n",
    ".verdict{display:grid;grid-template-columns:auto 1fr;column-gap:.9rem;align-items:center;padding-top:1.1rem}\n"
    ".verdict h2{font-size:clamp(2rem,7vw,3.2rem);line-height:1.05;margin:0;letter-spacing:-.01em}\n"
    ".verdict .inline{width:clamp(2.4rem,8vw,3.6rem);height:clamp(2.4rem,8vw,3.6rem);margin:0}\n"
    ".verdict p{grid-column:1/-1}\n"
    ".verdict .counts{font-size:1.3rem;line-height:1.35;margin-top:.7rem}\n"
    ".verdict .first{font-size:1.1rem;margin-top:.4rem}\n"
    ".verdict.within h2{color:var(--within)}.verdict.out h2{color:var(--out)}"
    ".verdict.undecided h2{color:var(--undecided)}\n",
    ".inline{width:1.15em;height:1.15em;vertical-align:-.2em;margin-right:.4em;overflow:visible}\n"
    ".to-do{list-style:none;padding:0}\n"
    ".to-do li{display:grid;grid-template-columns:auto minmax(5.2rem,auto) 1fr;align-items:baseline;"
    "border-bottom:1px solid var(--hair);padding:.45rem 0;break-inside:avoid}\n"
    ".to-do .name,.to-do .move{font-size:1.25rem}\n"
    ".to-do .move{white-space:nowrap}\n"
    ".to-do .name{margin-right:.7em;white-space:nowrap}\n"
    ".to-do .why{grid-column:2/-1}\n"
    ".to-do .name+.why{grid-column:3}\n",
    ".care{border-left:4px solid var(--out);padding-left:.8rem;margin-top:1rem}\n"
    ".note{margin-bottom:.4rem}\n"
    "ul{padding-left:1.2rem}\n"
    ".key{list-style:none;padding:0;display:flex;flex-wrap:wrap;gap:.2rem 1.4rem;margin-bottom:.6rem}\n"
    ".key .band::before{content:'';display:inline-block;width:1.6em;height:.85em;background:var(--band);"
    "margin-right:.45em;vertical-align:-.05em;border:1px solid var(--hair);print-color-adjust:exact;"
    "-webkit-print-color-adjust:exact}\n"
    ".key .bars::before{content:'';display:inline-block;width:.5em;height:1em;margin-right:.6em;vertical-align:-.15em;"
    "border:solid var(--ink);border-width:2px 0;background:linear-gradient(var(--ink),var(--ink)) center/2px 100% "
    "no-repeat;print-color-adjust:exact;-webkit-print-color-adjust:exact}\n"
    ".key .dots::before{content:'';display:inline-block;height:1em;margin:0 .6em 0 .2em;vertical-align:-.15em;"
    "border-left:3px dotted var(--ink)}\n",
    ".wide{overflow-x:auto}\n"
    ".wide figure{min-width:40rem;margin-bottom:.9rem}\n"
    "figure{break-inside:avoid}\n"
    "figcaption{font-weight:600;break-after:avoid}\n"
    ".wide figcaption{position:sticky;left:0;max-width:calc(100vw - 2rem)}\n"
    ".plot{display:block;width:100%;height:auto;overflow:visible;font-family:inherit;print-color-adjust:exact;"
    "-webkit-print-color-adjust:exact}\n"
    ".plot text{fill:var(--ink);font-size:15px}\n"
    ".plot .number,.plot .unit{fill:var(--soft);font-size:14px}\n"
    ".plot .tight{font-size:12px}\n"
    ".plot .strong,.plot .value{font-weight:700}\n"
    ".plot .value{fill:var(--out);paint-order:stroke;stroke:var(--ground);stroke-width:5px}\n",
    ".plot line{stroke:var(--ink);stroke-width:1.5}\n"
    ".plot .grid{stroke:var(--hair);stroke-width:1}\n"
    ".plot .zero{stroke:var(--ink);stroke-width:1.2}\n"
    ".plot .tolerance{fill:var(--band);shape-rendering:crispEdges}\n"
    ".plot .wanted{stroke-dasharray:8 5}\n"
    ".plot .whisker{stroke-width:2}\n"
    ".plot .dot{fill:var(--ink)}\n"
    ".plot line.within{stroke:var(--within)}.plot line.out{stroke:var(--out)}"
    ".plot line.undecided{stroke:var(--undecided)}.plot line.missing{stroke:var(--missing)}\n",
    ".sign.within{fill:var(--within)}.sign.out{fill:var(--out)}.sign.undecided{fill:var(--undecided)}"
    ".sign.missing{fill:none;stroke:var(--missing);stroke-linecap:round}\n"
    "svg .sign-word,.plot .sign-word{fill:var(--ground);font-weight:700;font-family:sans-serif;font-size:10px}\n",
    ".plot line.mark{stroke-width:2.5;stroke:#185cb0}.plot line.mark.out{stroke:#c75404}"
    ".plot line.mark.undecided{stroke:#702276}\n"
    ".plot .should-be,.plot .computed{stroke:#000;stroke-width:1.6;stroke-dasharray:6 5}\n"
    ".plot .computed-rim,.plot .measured-rim{stroke:#fff;stroke-width:3.4}\n"
    ".plot .computed-rim{stroke-opacity:.75}\n"
    ".plot .measured-rim{stroke-width:5.5}\n"
    ".plot .measured{stroke-width:2.6}\n"
    ".plot .measured.out{stroke:#c75404}.plot .measured.undecided{stroke:#702276}\n"
    ".plot .stray{stroke:#000;stroke-width:2;stroke-dasharray:2 4}\n"
    ".plot .centre{stroke:#fff;stroke-opacity:.55;stroke-width:1;stroke-dasharray:14 6 3 6}\n"
    ".plot .scale-read{stroke:#185cb0;stroke-width:2}\n",
    ".close-ups{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,25rem),1fr));gap:1.4rem 1.6rem;"
    "margin-top:.8rem}\n",
    "table{border-collapse:collapse;font-variant-numeric:tabular-nums;width:100%}\n"
    "caption{position:sticky;left:0;text-align:left;color:var(--soft);padding-bottom:.6rem;max-width:min(58rem,calc("
    "100vw - 2rem))}\n"
    "th,td{padding:.22rem .55rem;text-align:right;white-space:nowrap}\n"
    "thead th{border-bottom:2px solid var(--rule);vertical-align:bottom;font-weight:600}\n"
    "thead small{display:block;font-weight:400;color:var(--soft)}\n"
    "tbody tr{border-bottom:1px solid var(--hair);break-inside:avoid}\n"
    "tbody th{position:sticky;left:0;background:var(--ground)}\n"
    "td.word{text-align:left}\n"
    "#marks thead th:nth-child(2){text-align:left}\n"
    "tr.out td,tr.out th,tr.missing th,tr.missing .word{font-weight:700}\n",
    "dl{display:grid;grid-template-columns:auto 1fr;gap:.35rem 1rem}\n"
    "dl+.wide{margin-top:1.4rem}\n"
    "dt{font-weight:600}\n"
    "dd{margin:0;overflow-wrap:anywhere}\n"
    "footer{margin-top:2.4rem;border-top:1px solid var(--hair);padding-top:.6rem;font-size:.9rem}\n",
    "@media (max-width:34rem){dl{grid-template-columns:1fr}dd{margin-bottom:.5rem}"
    ".to-do li{grid-template-columns:auto 1fr}.to-do .move,.to-do .why,.to-do .name+.why{grid-column:2}"
    ".to-do .name,.to-do .move{font-size:1.12rem;white-space:normal}section{margin-top:1.6rem}}\n",
    "@page{margin:14mm 13mm}\n"
    "@media print{:root{--ground:#fff;--ink:#000;--soft:#444;--rule:#000;--hair:#ccc;--band:#e9e4d4;--within:#185cb0;"
    "--out:#c75404;--undecided:#702276;--missing:#101010}"
    "html{font-size:10.5pt;line-height:1.4}body{max-width:none;padding:0}"
    ".wide{overflow:visible}.wide figure{min-width:0}"
    ".close-ups{grid-template-columns:1fr 1fr;gap:5mm}"
    "thead{display:table-header-group}h2,h3,caption,.note,.key{break-after:avoid}p,.key{break-inside:avoid}"
    "section{margin-top:7mm}.care,dd,dt,li,.verdict{break-inside:avoid}"
    "tbody th{position:static}"
    ".by-hand{display:grid;grid-template-columns:2fr 1fr 1fr;gap:6mm;padding-top:5mm;color:#444}"
    ".by-hand span{border-bottom:1px solid #000;font-size:9pt}"
    ".to-do li{grid-template-columns:auto minmax(22mm,auto) 1fr 7mm}"
    ".to-do li::after{content:'';grid-column:4;grid-row:1;width:5mm;height:5mm;border:1px solid #000;align-self:center}"
    ".to-do .why{grid-column:2/4}.to-do .name+.why{grid-column:3}}\n",
    NULL};
