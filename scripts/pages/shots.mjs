// Pictures of pages to look at: shots.mjs OUT-FOLDER PAGE... ; wide, narrow and dark, in pieces of 2000 px height.
import { mkdirSync, writeFileSync } from "node:fs";
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
const looks = [["wide", { width: 1600 }], ["narrow", { width: 360 }], ["dark", { width: 1600, dark: true }], ["print", { width: 760, print: true }]];
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
}
await browser.close();
