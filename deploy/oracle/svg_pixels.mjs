// Renders SVG texts with resvg, fills alone, and prints the opacity of each pixel.
import { readFileSync } from "node:fs";
import { Resvg } from "@resvg/resvg-js";

const fills = "<style>*{stroke:none!important;opacity:1!important;fill-opacity:1!important;shape-rendering:geometricPrecision!important}</style>";
const out = JSON.parse(readFileSync(0, "utf8")).map(({ text, width }) => {
  const end = text.lastIndexOf("</");
  const svg = text.slice(0, end) + fills + text.slice(end);
  const image = new Resvg(svg, { font: { loadSystemFonts: false }, fitTo: { mode: "width", value: width } }).render();
  const pixels = image.pixels;
  const alpha = Buffer.alloc(image.width * image.height);
  for (let i = 0; i < alpha.length; i++) alpha[i] = pixels[4 * i + 3];
  return { width: image.width, height: image.height, alpha: alpha.toString("base64") };
});
process.stdout.write(JSON.stringify(out));
