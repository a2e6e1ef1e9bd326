// Headless Chromium over its pipe (DevTools protocol): no package needed.
import { spawn } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

export class Browser {
  static async launch() {
    const home = mkdtempSync(join(tmpdir(), "pages-chromium-"));
    const child = spawn(process.env.CHROMIUM || "chromium", [
      "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--remote-debugging-pipe",
      "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run",
      `--user-data-dir=${home}`, "about:blank",
    ], { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] });
    const browser = new Browser();
    Object.assign(browser, { child, home, next: 1, waiting: new Map(), listeners: new Map(), rest: "" });
    child.on("error", (e) => { console.error(`could not start chromium: ${e.message}; install the package or set CHROMIUM`); process.exit(2); });
    child.stdio[4].setEncoding("utf8");
    child.stdio[4].on("data", (text) => {
      browser.rest += text;
      const parts = browser.rest.split("\0");
      browser.rest = parts.pop();
      for (const part of parts) browser.#take(JSON.parse(part));
    });
    return browser;
  }

  #take(message) {
    if (message.id) {
      const { resolve, reject } = this.waiting.get(message.id);
      this.waiting.delete(message.id);
      if (message.error) reject(new Error(message.error.message)); else resolve(message.result);
    } else if (message.sessionId) {
      this.listeners.get(message.sessionId)?.(message.method, message.params);
    }
  }

  send(method, params = {}, sessionId = undefined) {
    const id = this.next++;
    return new Promise((resolve, reject) => {
      this.waiting.set(id, { resolve, reject });
      this.child.stdio[3].write(JSON.stringify({ id, method, params, sessionId }) + "\0");
    });
  }

  // A page with its own list of console errors and requests.
  async page({ width = 1280, height = 900, dark = false, script = true, print = false } = {}) {
    const { targetId } = await this.send("Target.createTarget", { url: "about:blank" });
    const { sessionId } = await this.send("Target.attachToTarget", { targetId, flatten: true });
    const page = new Page(this, targetId, sessionId);
    this.listeners.set(sessionId, (method, params) => page.heard(method, params));
    for (const domain of ["Page", "Runtime", "Log", "Network"]) await page.send(`${domain}.enable`);
    await page.send("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: false });
    await page.send("Emulation.setEmulatedMedia", {
      media: print ? "print" : "screen",
      features: [{ name: "prefers-color-scheme", value: dark ? "dark" : "light" }],
    });
    if (!script) await page.send("Emulation.setScriptExecutionDisabled", { value: true });
    return page;
  }

  async close() {
    const gone = new Promise((done) => this.child.once("exit", done));
    await this.send("Browser.close").catch(() => {});
    await gone;
    rmSync(this.home, { recursive: true, force: true, maxRetries: 5, retryDelay: 100 });
  }
}

class Page {
  constructor(browser, targetId, sessionId) {
    Object.assign(this, { browser, targetId, sessionId, errors: [], requests: [], loaded: null });
  }

  heard(method, params) {
    if (method === "Page.loadEventFired") this.loaded?.();
    if (method === "Runtime.exceptionThrown") this.errors.push(params.exceptionDetails.text);
    if (method === "Runtime.consoleAPICalled" && params.type === "error") this.errors.push(JSON.stringify(params.args));
    if (method === "Log.entryAdded" && params.entry.level === "error") this.errors.push(params.entry.text);
    if (method === "Network.requestWillBeSent") this.requests.push(params.request.url);
  }

  send(method, params) {
    return this.browser.send(method, params, this.sessionId);
  }

  async open(url) {
    const loaded = new Promise((done) => { this.loaded = done; });
    await this.send("Page.navigate", { url });
    await loaded;
  }

  async run(expression) {
    const { result, exceptionDetails } = await this.send("Runtime.evaluate", { expression, returnByValue: true, awaitPromise: true });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description || exceptionDetails.text);
    return result.value;
  }

  async png(clip = undefined) {
    const { data } = await this.send("Page.captureScreenshot", { format: "png", captureBeyondViewport: true, clip });
    return Buffer.from(data, "base64");
  }

  async pdf(paper) {
    const { data } = await this.send("Page.printToPDF", { ...paper, printBackground: true, preferCSSPageSize: false });
    return Buffer.from(data, "base64");
  }

  async close() {
    this.browser.listeners.delete(this.sessionId);
    await this.browser.send("Target.closeTarget", { targetId: this.targetId });
  }
}
