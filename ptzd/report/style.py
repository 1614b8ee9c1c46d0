"""How the report's page looks, on a screen and on paper. Nothing in it is told by colour alone."""

# No `<`, `>` or `&` in it: the page is read as HTML and as XML, and the two disagree about those in a style.
PAGE_STYLE = """
:root{color-scheme:light}
*{box-sizing:border-box}
body{margin:0 auto;max-width:1280px;padding:28px 32px 60px;background:#fff;color:#16191c;
font:15px/1.45 "Liberation Sans",Arial,Helvetica,sans-serif}
.over{margin:0;color:#454d54}
h1{margin:0 0 10px;font-size:32px;line-height:1.15;letter-spacing:-.01em}
h2{margin:38px 0 10px;font-size:20px;line-height:1.2}
.verdict{display:inline-flex;align-items:center;gap:10px;margin:0 0 14px;padding:7px 16px 7px 9px;
border:1.5px solid #16191c;border-radius:22px;font-size:18px;font-weight:700}
.verdict.troubled{background:#ffc233}
.verdict.fits{background:#e3f1e6}
.verdict a{color:inherit;text-decoration:none}
.sign{display:inline-block;width:26px;height:26px;border-radius:13px;background:#16191c;color:#fff;
text-align:center;line-height:26px}
.reservation{margin:0 0 10px;max-width:70em}
dl{display:flex;flex-wrap:wrap;gap:8px 34px;margin:0}
dt{color:#454d54;font-size:13px}
dd{margin:0;font-weight:700;font-variant-numeric:tabular-nums}
figure{margin:0 0 22px}
.picture{display:block;width:100%;height:auto}
svg a{cursor:pointer}
.quiet{margin:0 0 22px;padding:6px 12px;border-left:4px solid #c3cad0;color:#454d54}
table{width:100%;border-collapse:collapse;font-variant-numeric:tabular-nums}
caption{padding:0 0 8px;text-align:left;color:#454d54}
th,td{padding:6px 10px 6px 0;text-align:left;vertical-align:top;overflow-wrap:anywhere}
thead th{border-bottom:2px solid #16191c;font-size:13px}
.conflicts tbody tr{border-bottom:1px solid #c3cad0}
.conflicts td{padding-top:9px;padding-bottom:11px}
.conflicts p{margin:2px 0 8px}
.conflicts th:nth-child(1){width:50px}.conflicts th:nth-child(2){width:150px}.conflicts th:nth-child(3){width:100px}
.conflicts th:nth-child(5){width:29%}
.close-up{display:block;width:100%;max-width:560px;height:auto}
tr:target{background:#fff3d1}
ul{margin:0;padding-left:17px}li{margin:0 0 6px}
.can{display:block;color:#454d54;font-size:13px}
.can::before{content:"\\2713\\00a0"}
.time,.how{display:block;color:#454d54;font-size:13px}
.disc-word{display:inline-block;min-width:22px;padding:0 6px;border:1.6px solid #16191c;border-radius:12px;
background:#ffc233;color:#16191c;text-align:center;font-weight:700;font-size:13px;line-height:19px;
text-decoration:none}
.moves{width:auto;min-width:60%}
.moves th,.moves td{padding-right:22px}
.moves tbody td{padding-top:3px;padding-bottom:3px}
.moves tbody th{padding-top:3px;padding-bottom:3px}
.order tr:first-child th,.order tr:first-child td{border-top:1px solid #c3cad0}
.how{display:inline;margin-left:6px}
.take{padding:1px 8px;border-radius:2px;background:#8f1720;color:#fff;font-weight:700;font-size:13px}
.short{font-weight:700;text-decoration:underline;text-decoration-thickness:2px;text-underline-offset:3px}
@media screen and (max-width:760px){
body{padding:16px 16px 40px}
h1{font-size:26px}
.conflicts,.conflicts caption,.conflicts tbody,.conflicts tr,.conflicts td,.conflicts th{display:block;width:auto}
.conflicts thead{display:none}
.conflicts tbody th{padding-bottom:0}
.conflicts td{padding:2px 0 4px}
.moves{width:100%}
.moves th,.moves td{padding-right:9px;font-size:13px}
}
@page{size:A4 landscape;margin:12mm}
@media print{
*{print-color-adjust:exact;-webkit-print-color-adjust:exact}
body{max-width:none;padding:0;font-size:9.5pt}
h1{font-size:20pt}h2{font-size:13pt;break-after:avoid}
figure{margin:0 0 6pt}
figure,.quiet,.conflicts tbody tr,.moves tbody{break-inside:avoid}
.picture.legend{break-after:avoid}
thead{display:table-header-group}
.order{break-before:page}
caption{break-after:avoid}
}
"""
