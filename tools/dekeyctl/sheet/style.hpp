// How the sheet looks on A4, on letter and on a telephone: black on white, in one column.
#pragma once

#include <string_view>

namespace dekeyd::ctl::sheet {

// No '<' and no '&': it stands in a page that XML parsers read.
inline constexpr std::string_view sheet_style = R"(
@page { margin: 13mm 12mm }
* { box-sizing: border-box }
html { background: #fff; color: #1c2733; font: 10.5pt/1.4 Arial, Helvetica, "Liberation Sans", sans-serif }
body { margin: 0 auto; padding: 4mm; max-width: 200mm; overflow-wrap: break-word }
h1 { font-size: 19pt; line-height: 1.15; margin: 0 0 1mm }
h2 { font-size: 13pt; margin: 8mm 0 2mm; padding-bottom: 0.7mm; border-bottom: 0.5mm solid #1c2733; break-after: avoid }
h3 { font-size: 10.5pt; margin: 4mm 0 1mm; break-after: avoid }
p, ul, ol { margin: 0 0 2mm } li { margin-bottom: 0.8mm }
code { font: 9.5pt/1.4 "Liberation Mono", Consolas, monospace }
dl.made { display: flex; flex-wrap: wrap; gap: 1mm 6mm; margin: 2mm 0 3mm; font-size: 9pt }
dl.made div { display: flex; gap: 1.5mm } dl.made dt { color: #51606e } dl.made dd { margin: 0 }
.caution { border: 0.6mm solid #b3261e; padding: 2.5mm 3.5mm; margin: 4mm 0; break-inside: avoid }
.caution h2 { margin: 0 0 1.5mm; border: 0; padding: 0; color: #b3261e } .caution :last-child { margin-bottom: 0 }
.note { color: #51606e; font-size: 9pt } h2 + .note { break-after: avoid }
table { width: 100%; border-collapse: collapse; font-size: 9pt; line-height: 1.3 }
th { text-align: left; color: #51606e; font-weight: normal; border-bottom: 0.3mm solid #1c2733; padding: 0.8mm 2mm 0.8mm 0 }
td { vertical-align: top; border-bottom: 0.2mm solid #ccd3da; padding: 0.9mm 2mm 0.9mm 0 }
td:first-child { font-weight: bold } tr { break-inside: avoid } thead { display: table-header-group }
.wires td:first-child { white-space: nowrap } .limits td:nth-child(2), .limits td:nth-child(3) { white-space: nowrap }
.ports td:nth-child(2) { color: #b3261e; font-weight: bold }
.drawing { overflow-x: auto; margin: 0 0 2mm; break-inside: avoid } svg { display: block; width: 100%; height: auto }
svg text { font: 12px Arial, Helvetica, "Liberation Sans", sans-serif; fill: #1c2733 } svg .name { font-weight: bold }
svg .note { fill: #3c4a57; font-size: 12px } svg .rating { fill: #b3261e; font-weight: bold }
svg .part { fill: #fff; stroke: #1c2733; stroke-width: 1.5 } svg .board { fill: #f4f6f8; stroke: #8796a5; stroke-width: 1.3 }
svg .load { fill: #fff; stroke: #1c2733; stroke-width: 1.2; stroke-dasharray: 5 3 }
svg .wire { fill: none; stroke: #1c2733; stroke-width: 1.6 } svg .solid { fill: #1c2733 }
svg .mark { fill: #fff; stroke: #1c2733; stroke-width: 1.2 } svg .on-mark { font-size: 11px; font-weight: bold }
.labels { display: grid; grid-template-columns: repeat(auto-fill, minmax(54mm, 1fr)); font-size: 9pt; line-height: 1.25 }
.labels div { border: 0.25mm dashed #8796a5; padding: 2mm 2.5mm; margin: 0 -0.25mm -0.25mm 0; break-inside: avoid; min-height: 15mm }
.labels b { display: block; font-size: 11pt } .labels .most { color: #b3261e; font-weight: bold }
@media screen and (max-width: 640px) {
  body { padding: 4mm 3mm } h1 { font-size: 16pt } .drawing svg { min-width: 620px }
  thead { display: none } tr { display: block; border-bottom: 0.3mm solid #8796a5; padding: 1.5mm 0 }
  td, .limits td:nth-child(2), .limits td:nth-child(3) { display: block; border: 0; padding: 0.4mm 0; white-space: normal }
  td:not(:first-child):not(:empty)::before { content: attr(data-column) ": "; color: #51606e; font-weight: normal }
  td:empty { display: none }
}
@media print { body { padding: 0; max-width: none } a { color: inherit; text-decoration: none } }
* { -webkit-print-color-adjust: exact; print-color-adjust: exact }
)";

}  // namespace dekeyd::ctl::sheet
