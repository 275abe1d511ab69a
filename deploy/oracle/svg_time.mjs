// Times reading and rendering SVG texts with resvg, each as often as asked for, and prints the least
// milliseconds of each; null for a text that it refuses.
import { readFileSync } from "node:fs";
import { Resvg } from "@resvg/resvg-js";

const { texts, times } = JSON.parse(readFileSync(0, "utf8"));
const least = (text) => {
  let best = Infinity;
  for (let i = 0; i < times; i++) {
    const from = process.hrtime.bigint();
    new Resvg(text, { font: { loadSystemFonts: false } }).render();
    best = Math.min(best, Number(process.hrtime.bigint() - from) / 1e6);
  }
  return best;
};
const out = texts.map((text) => {
  try {
    return least(text);
  } catch {
    return null;
  }
});
process.stdout.write(JSON.stringify(out));
