// Pictures of pages to look at: shots.mjs OUT-FOLDER PAGE... ; wide, narrow, dark and as in print in pieces of 2000 px
// height, and as PDF for paper. LOOKS=wide,pdf: only these.
import { mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { Browser } from "./browser.mjs";

const [out, ...pages] = process.argv.slice(2);
if (!out || !pages.length) {
  console.error("usage: shots.mjs OUT-FOLDER PAGE.html...");
  process.exit(2);
}
const only = process.env.LOOKS?.split(",");
mkdirSync(out, { recursive: true });
const browser = await Browser.launch();
const looks = [["wide", { width: 1440 }], ["narrow", { width: 320 }], ["phone", { width: 390 }], ["dark", { width: 1440, dark: true }], ["print", { width: 760, print: true }]];
const papers = [["A4", { paperWidth: 8.27, paperHeight: 11.69 }], ["Letter", { paperWidth: 8.5, paperHeight: 11 }]];
for (const file of pages) {
  for (const [name, how] of looks.filter(([n]) => !only || only.includes(n))) {
    const page = await browser.page(how);
    await page.open(pathToFileURL(resolve(file)).href);
    const height = await page.run("document.documentElement.scrollHeight");
    const across = await page.run("document.documentElement.scrollWidth");
    if (across > how.width) console.log(`${file}: ${name} is ${across} px wide, more than ${how.width}`);
    for (let y = 0, n = 0; y < height; y += 2000, n++) {
      const clip = { x: 0, y, width: how.width, height: Math.min(2000, height - y), scale: 1 };
      writeFileSync(join(out, `${basename(file, ".html")}-${name}-${n}.png`), await page.png(clip));
    }
    await page.close();
  }
  // As it goes to the printer; the technician's sheet alone besides.
  const sheet = readFileSync(file, "utf8").includes('id="sheet"');
  for (const part of sheet ? ["", "#sheet"] : [""]) {
    for (const [name, paper] of papers.filter(([n]) => part || n === "A4").filter(() => !only || only.includes("pdf"))) {
      const page = await browser.page();
      await page.open(pathToFileURL(resolve(file)).href + part);
      writeFileSync(join(out, `${basename(file, ".html")}${part.replace("#", "-")}-${name}.pdf`), await page.pdf(paper));
      await page.close();
    }
  }
}
await browser.close();
