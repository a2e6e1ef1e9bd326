// Opens every page of a report in headless Chromium and says what is wrong: check.mjs AXE.min.js REPORT-FOLDER...; a page
// that stands alone is named by its file. Exit 0: nothing wrong; 1: faults, each on a line; 2: could not run.
import { existsSync, readFileSync, readdirSync, statSync } from "node:fs";
import { dirname, join, relative, resolve } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";
import { Browser } from "./browser.mjs";

const [axePath, ...reports] = process.argv.slice(2);
if (!axePath || !reports.length) {
  console.error("usage: check.mjs AXE.min.js REPORT-FOLDER...");
  process.exit(2);
}
const axe = readFileSync(axePath, "utf8");
const MOST_BYTES = 2_000_000;
// Sites of one report, worst first; said when there are more.
const MOST_SITES = Number(process.env.SITES ?? 200);
const faults = [];
const counts = { pages: 0, links: 0, numbers: 0, axe: 0, sheets: 0 };
const fault = (page, what) => faults.push(`${page}: ${what}`);

// The same words for hours and shares as on the pages, made anew from findings.json.
const hours = (h) => h <= 0 ? "0 h" : h < 1 / 60 ? "under 1 min" : h < 0.95 ? `${Math.round(h * 60)} min` : `${h.toFixed(1)} h`;
const share = (s) => s >= 1 ? "100 %" : `${(Math.floor(s * 1000 + 1e-6) / 10).toFixed(1)} %`;
// Rounding of halves differs between languages: a neighbour in the last digit is no fault.
const near = (text, want) => {
  const number = (t) => Number.parseFloat(t);
  return text === want || (text.replace(/[\d.]+/, "") === want.replace(/[\d.]+/, "") && Math.abs(number(text) - number(want)) <= (text.includes("min") ? 1 : 0.11));
};
// Whole percents; what is not nothing and not all is told as such.
const shareFits = (text, percent) => text === "under 1" ? percent > 0 && percent < 0.51 : text === "over 99" ? percent < 100 && percent > 99.49 : Math.abs(Number(text) - percent) <= 0.51;
const shown = (text) => [...text.replace(/[\n\r\t\u2028\u2029]/g, " ")].slice(0, 120).join("");

const browser = await Browser.launch();

async function look(root, file) {
  const name = relative(process.cwd(), file);
  counts.pages += 1;
  const size = statSync(file).size;
  if (size > MOST_BYTES) fault(name, `${size} bytes, more than ${MOST_BYTES}`);
  const url = pathToFileURL(file).href;

  const page = await browser.page({ width: 1280 });
  await page.open(url);
  for (const e of page.errors) fault(name, `console: ${e}`);
  for (const r of page.requests) if (r.split("#")[0] !== url) fault(name, `asks for ${r}`);
  const links = await page.run("Array.from(document.querySelectorAll('a[href]'), (a) => a.href.baseVal ?? a.href).map((h) => new URL(h, location.href).href)");
  for (const link of new Set(links)) {
    counts.links += 1;
    const target = new URL(link);
    if (target.protocol !== "file:") { fault(name, `leads to ${link}`); continue; }
    const path = fileURLToPath(target.origin === "null" ? `file://${target.pathname}` : target);
    if (relative(root, path).startsWith("..")) fault(name, `leads out of the report: ${link}`);
    else if (!existsSync(path)) fault(name, `leads nowhere: ${link}`);
    else if (target.hash && !readFileSync(path, "utf8").includes(`id="${decodeURIComponent(target.hash.slice(1))}"`)) fault(name, `no such place: ${link}`);
  }
  const text = await page.run("document.querySelector('main').textContent");
  const foreign = await page.run("[document.images.length, document.querySelectorAll('iframe,object,embed,link').length, document.scripts.length]");
  if (foreign[0] || foreign[1] || foreign[2] > 1) fault(name, `holds images, frames or scripts: ${foreign}`);
  await page.close();

  // Without scripts the same words stand there.
  const quiet = await browser.page({ width: 1280, script: false });
  await quiet.open(url);
  const plain = await quiet.run("document.querySelector('main').textContent");
  const words = (t) => t.replace(/\d+ of \d+ sites shown/, "").replace(/\s+/g, " ");
  if (words(plain) !== words(text)) fault(name, "says something else without scripts");
  const hidden = await quiet.run("Array.from(document.querySelectorAll('main *'), (e) => e).filter((e) => e.hidden && e.id !== 'tools').length");
  if (hidden) fault(name, `${hidden} parts are hidden without scripts`);
  await quiet.close();

  for (const how of [{ width: 1280 }, { width: 1280, dark: true }, { width: 320 }, { width: 3840 }]) {
    const p = await browser.page(how);
    await p.open(url);
    const across = await p.run("document.documentElement.scrollWidth");
    if (across > how.width) fault(name, `${across} px wide in a window of ${how.width}`);
    if (how.width !== 3840) {
      await p.run("for (const d of document.querySelectorAll('details')) d.open = true");
      await p.run(axe);
      const result = await p.run("axe.run(document, { resultTypes: ['violations'] }).then((r) => r.violations.map((v) => ({ id: v.id, impact: v.impact, help: v.help, where: v.nodes.slice(0, 2).map((n) => n.target.join(' ') + ' ' + (n.any[0]?.message || '')), n: v.nodes.length })))");
      counts.axe += 1;
      for (const v of result.filter((v) => ["serious", "critical"].includes(v.impact))) {
        fault(name, `${how.width}${how.dark ? " dark" : ""} axe ${v.impact} ${v.id} (${v.n}): ${v.help}: ${v.where.join("; ")}`);
      }
    }
    await p.close();
  }

  // The sheet alone is one sheet of paper.
  if (readFileSync(file, "utf8").includes('id="sheet"')) {
    for (const [paper, paperWidth, paperHeight] of [["A4", 8.27, 11.69], ["Letter", 8.5, 11]]) {
      const p = await browser.page();
      await p.open(`${url}#sheet`);
      const pdf = (await p.pdf({ paperWidth, paperHeight })).toString("latin1");
      const pages = pdf.match(/\/Type\s*\/Page[^s]/g)?.length ?? 0;
      counts.sheets += 1;
      if (pages !== 1) fault(name, `the technician's sheet takes ${pages} pages of ${paper}`);
      await p.close();
    }
  }
  return text;
}

async function report(folder) {
  const root = resolve(folder);
  const findings = JSON.parse(readFileSync(join(root, "findings.json"), "utf8"));
  const equal = (page, what, text, want) => {
    counts.numbers += 1;
    if (!near(text.trim(), want)) fault(page, `${what} is "${text.trim()}", findings.json says "${want}"`);
  };

  const index = join(root, "index.html");
  const fleetText = await look(root, index);
  const page = await browser.page({ width: 1280 });
  await page.open(pathToFileURL(index).href);
  const rows = await page.run(`Array.from(document.querySelectorAll("#ranking tbody tr"), (r) => ({
    rank: r.dataset.rank, name: r.querySelector("th bdi").textContent, href: r.querySelector("th a")?.getAttribute("href"),
    lost: r.querySelector('[data-label="Lost"]').textContent, fixed: r.querySelector('[data-label="Fixed"]').textContent,
    cost: r.querySelector('[data-label="Cost"]')?.textContent ?? null, all: r.textContent }))`);
  // The view over all sites: as many rows as there are things to tell, with their numbers.
  const tables = await page.run(`Object.fromEntries(["against", "work", "rovers", "parts"].map((id) => {
    let e = document.getElementById(id);
    while (e && e.tagName !== "TABLE" && !(e = e.nextElementSibling, e?.tagName === "H2")) continue;
    return [id, e?.tagName === "TABLE" ? Array.from(e.tBodies[0].rows, (r) => r.textContent) : []];
  }))`);
  const two = (x) => x >= 9.95 ? x.toFixed(0) : x >= 0.995 ? x.toFixed(1) : x.toFixed(2);
  const fleet = findings.fleet ?? {};
  const rows4 = {
    against: (fleet.trend ?? []).filter((t) => ["new", "worse", "better", "solved"].includes(t.change)),
    work: findings.fieldwork ?? [], rovers: fleet.bad_rovers ?? [], parts: fleet.over_represented ?? [],
  };
  for (const [id, wanted] of Object.entries(rows4)) {
    counts.numbers += 1;
    if (tables[id].length !== Math.min(100, wanted.length)) fault("index.html", `table ${id} has ${tables[id].length} rows, findings.json ${wanted.length}`);
    wanted.slice(0, 100).forEach((w, i) => {
      const ratio = w.rate_ratio == null ? [] : [w.rate_ratio, w.ratio_low, w.ratio_high].filter((x) => x != null).map(two);
      const hoursOf = id === "rovers" ? [w.lost_fix_hours, w.observed_hours, w.expected_hours].map(hours) : [];
      const counted = id === "parts" ? [`${w.bad_with} of ${w.with}`, `${w.bad_without} of ${w.without}`] : [];
      // Sorted tables are looked through as a whole.
      const text = id === "against" || id === "work" ? tables[id].join(" ") : tables[id][i] ?? "";
      for (const want of [...ratio, ...hoursOf, ...counted]) {
        counts.numbers += 1;
        if (!text.includes(want)) fault("index.html", `table ${id} row ${i + 1} does not say ${want}`);
      }
    });
  }
  if (rows.length !== findings.sites.length) fault("index.html", `${rows.length} rows, findings.json has ${findings.sites.length} sites`);
  const acting = findings.sites.filter((s) => s.verdict === "lost-fix").length;
  counts.numbers += 1;
  if (findings.sites.length && !fleetText.includes(acting ? `${acting} of ${findings.sites.length} site` : "needs a person")) fault("index.html", `the answer does not say that ${acting} sites need a person`);
  findings.sites.forEach((s, i) => {
    const row = rows[i];
    if (!row) return;
    equal("index.html", `rank of ${shown(s.site)}`, row.rank, String(s.rank));
    const [lost, observed] = row.lost.trim().split(/\s*of\s+/);
    equal("index.html", `lost time of ${shown(s.site)}`, lost, hours(s.lost_fix_hours));
    equal("index.html", `observed time of ${shown(s.site)}`, observed ?? "", hours(s.observed_hours));
    const cost = s.lost_cost == null ? "" : String(Math.round(s.lost_cost)).replace(/\B(?=(\d{3})+$)/g, "\u00a0");
    counts.numbers += 1;
    if ((row.cost ?? "").trim() !== cost && Math.abs(s.lost_cost % 1 - 0.5) > 1e-6) fault("index.html", `cost of ${shown(s.site)} is "${row.cost}", findings.json says "${cost}"`);
    equal("index.html", `fixed share of ${shown(s.site)}`, row.fixed, s.fixed_share == null ? "unknown" : share(s.fixed_share));
  });

  // Sorting and filtering do what they say.
  if (rows.length > 1) {
    const order = await page.run(`(() => {
      const click = (key) => document.querySelector('#ranking th[data-key="' + key + '"] button').click();
      const lost = () => Array.from(document.querySelectorAll("#ranking tbody tr"), (r) => Number(r.dataset.lost));
      const sorted = (a) => a.every((x, i) => i === 0 || a[i - 1] <= x);
      click("lost"); const up = sorted(lost());
      click("lost"); const down = sorted(lost().reverse());
      click("rank"); const words = document.getElementById("f-words");
      words.value = "no such words at all"; words.dispatchEvent(new Event("input"));
      const none = Array.from(document.querySelectorAll("#ranking tbody tr")).filter((r) => r.getClientRects().length).length;
      document.getElementById("f-clear").click();
      const all = Array.from(document.querySelectorAll("#ranking tbody tr")).filter((r) => r.getClientRects().length).length;
      return { up, down, none, all };
    })()`);
    if (!order.up || !order.down) fault("index.html", "sorting by lost time does not sort");
    if (order.none !== 0 || order.all !== rows.length) fault("index.html", `the filter shows ${order.none} and ${order.all} of ${rows.length}`);
  }
  await page.close();

  if (findings.sites.length > MOST_SITES) console.log(`${root}: only the first ${MOST_SITES} of ${findings.sites.length} sites are opened (SITES=N for more)`);
  for (const [i, s] of findings.sites.entries()) {
    if (i >= MOST_SITES || !rows[i]?.href) continue;
    const file = join(root, decodeURIComponent(rows[i].href));
    const name = relative(process.cwd(), file);
    const text = (await look(root, file)).replace(/\s+/g, " ");
    if (s.verdict !== "too-little-data") {
      counts.numbers += 1;
      const answer = text.match(/(\d[\d.]* (?:h|min)|under 1 min) of (\d[\d.]* (?:h|min)) observed/) ?? text.match(/of (\d[\d.]* h) observed; (.+?) lost/)?.slice(0, 1).concat(text.match(/observed; (.+?) lost/)?.[1], text.match(/of (\S+ (?:h|min)) observed/)?.[1]);
      if (!answer) fault(name, "the answer names no lost and observed time");
      else {
        equal(name, "lost time", answer[1], hours(s.lost_fix_hours));
        equal(name, "observed time", answer[2], hours(s.observed_hours));
      }
    }
    for (const [k, c] of s.causes.entries()) {
      counts.numbers += 1;
      const want = `${hours(c.lost_fix_hours)} lost, ${Math.round(c.share * 100)} %`;
      const there = [...text.matchAll(/(\d[\d.]* (?:h|min)|under 1 min) lost, ((?:under |over )?\d+) % of the site/g)][k];
      if (!there) fault(name, `cause ${k + 1} is not there`);
      else if (!near(there[1], hours(c.lost_fix_hours)) || !shareFits(there[2], c.share * 100)) fault(name, `cause ${k + 1} says "${there[0]}", findings.json "${want}"`);
    }
  }
  if (findings.complaints.length) {
    const file = join(root, "complaints.html");
    const text = await look(root, file);
    for (const c of findings.complaints) {
      counts.numbers += 1;
      if (!text.includes(shown(c.id).slice(0, 10))) fault("complaints.html", `complaint ${c.id} is not there`);
    }
  }
  const known = new Set(["index.html", "complaints.html", ...rows.map((r) => r.href)]);
  for (const f of readdirSync(join(root, "sites"))) if (!known.has(`sites/${f}`)) fault(f, "no row of the ranking leads to this page");
}

try {
  for (const path of reports) {
    // A page that stands alone (look --html) has no findings beside it.
    if (path.endsWith(".html")) await look(dirname(resolve(path)), resolve(path));
    else await report(path);
  }
} catch (e) {
  fault(dirname(reports[0]), `the check itself failed: ${e.stack}`);
}
await browser.close();
for (const f of faults) console.log(f.length > 600 ? `${f.slice(0, 600)}…` : f);
console.log(`${counts.pages} pages, ${counts.links} links, ${counts.numbers} numbers, ${counts.axe} axe runs, ${counts.sheets} sheets: ${faults.length} faults`);
process.exit(faults.length ? 1 : 0);
