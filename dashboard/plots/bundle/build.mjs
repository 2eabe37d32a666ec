// Makes the script that draws every plot from plotly's published sources: its traces scatter and bar,
// and of its components those that a plot here uses. It is kept packed as it is sent.
//
//   mkdir somewhere && cd somewhere
//   npm install --ignore-scripts plotly.js@4.1.1 esbuild@0.28.2 @gfx/zopfli@1.0.15
//   node .../dashboard/plots/bundle/build.mjs
//
// It writes into its own folder: plotly-small.min.js.gz and .br, and the licenses of all that is in it.
import fs from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { fileURLToPath } from "node:url";
import zlib from "node:zlib";

const here = path.dirname(fileURLToPath(import.meta.url));
const require = createRequire(path.join(process.cwd(), "here.js"));
const esbuild = require("esbuild");
const zopfli = require("@gfx/zopfli");
const UNUSED = ["annotations3d", "images", "updatemenus", "sliders", "rangeslider", "rangeselector",
  "grid"];
const ROUNDS = 15;

const source = "node_modules/plotly.js/src/core.js";
let entry = fs.readFileSync(source, "utf-8")
  .replaceAll("require('./", "require('plotly.js/src/")
  .replaceAll("require('../", "require('plotly.js/");
for (const name of UNUSED) {
  const line = `    require('plotly.js/src/components/${name}'),\n`;
  if (!entry.includes(line)) throw new Error(`${source} has no component ${name}`);
  entry = entry.replace(line, "");
}
entry += "\nregister(require('plotly.js/lib/bar'));\n";

// polygons are cut with each other only where points are chosen with a lasso
const noPolygons = {
  name: "no polygons",
  setup(build) {
    build.onResolve({ filter: /^polybooljs$/ }, (asked) => ({ path: asked.path, namespace: "none" }));
    build.onLoad({ filter: /.*/, namespace: "none" }, () => ({ contents: "module.exports = {};" }));
  },
};

const version = JSON.parse(fs.readFileSync("node_modules/plotly.js/package.json", "utf-8")).version;
const made = await esbuild.build({
  stdin: { contents: entry, resolveDir: process.cwd(), sourcefile: "entry.js" },
  bundle: true, minify: true, format: "iife", globalName: "Plotly", target: "es2016",
  define: { global: "window", "define.amd": "false" },
  plugins: [noPolygons], metafile: true, write: false, outdir: "out", legalComments: "none",
  banner: { js: `/* plotly.js ${version}, scatter and bar; its licenses: LICENSE.txt */` },
});
const script = Buffer.from(made.outputFiles.find((each) => each.path.endsWith(".js")).contents);
fs.writeFileSync(path.join(here, "plotly-small.min.js.gz"),
  await zopfli.gzipAsync(script, { numiterations: ROUNDS }));
fs.writeFileSync(path.join(here, "plotly-small.min.js.br"),
  zlib.brotliCompressSync(script, { params: { [zlib.constants.BROTLI_PARAM_QUALITY]: 11 } }));

const inside = Object.keys(Object.values(made.metafile.outputs)
  .find((each) => each.entryPoint || each.bytes > 100000).inputs);
const packages = new Set(inside.map((each) => /.*node_modules\/((?:@[^/]+\/)?[^/]+)\//.exec(each)?.[1])
  .filter(Boolean));
const told = [...packages].sort((a, b) => (b === "plotly.js") - (a === "plotly.js") || (a < b ? -1 : 1))
  .map((name) => {
    const folder = path.join("node_modules", name);
    const about = JSON.parse(fs.readFileSync(path.join(folder, "package.json"), "utf-8"));
    const file = fs.readdirSync(folder).find((each) => /^licen[sc]e/i.test(each));
    const text = file ? fs.readFileSync(path.join(folder, file), "utf-8").trim()
      : `License: ${about.license?.type ?? about.license}`;
    return `${name} ${about.version}\n\n${text}\n`;
  });
fs.writeFileSync(path.join(here, "LICENSE.txt"), told.join(`\n${"-".repeat(70)}\n\n`));
console.log(`${script.length} bytes; packages: ${[...packages].join(", ")}`);
