// The page for phones in a real browser of phone size, two of them, over the browser's own
// debugging protocol: node --experimental-websocket phone.mjs CHROMIUM ADDRESS FOLDER
// Prints what it found as JSON; pictures go into FOLDER. Node and Chromium alone.
import { spawn } from "node:child_process";
import { connect, createServer } from "node:net";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

const [chromium, address, folder] = process.argv.slice(2);
const own = mkdtempSync(join(tmpdir(), "stillheight-phone-"));
const browser = spawn(chromium, [
  "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-dev-shm-usage",
  "--autoplay-policy=user-gesture-required", "--remote-debugging-port=0", `--user-data-dir=${own}`, "about:blank",
], { stdio: ["ignore", "ignore", "pipe"] });
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const door = await new Promise((found, failed) => {
  let text = "";
  browser.stderr.on("data", (piece) => {
    text += piece;
    const seen = text.match(/DevTools listening on (ws:\S+)/);
    if (seen) found(seen[1]);
  });
  browser.on("exit", () => failed(new Error(`the browser ended: ${text}`)));
});

const socket = new WebSocket(door);
await new Promise((open) => { socket.onopen = open; });
let asked = 0;
const waiting = new Map(), heard = [];
socket.onmessage = (event) => {
  const news = JSON.parse(event.data);
  if (news.id) {
    const { done, failed } = waiting.get(news.id);
    waiting.delete(news.id);
    if (news.error) failed(new Error(news.error.message)); else done(news.result);
  } else heard.push(news);
};
const ask = (method, params = {}, sessionId) => new Promise((done, failed) => {
  const id = ++asked;
  waiting.set(id, { done, failed });
  socket.send(JSON.stringify({ id, method, params, sessionId }));
});

class Phone {
  static async open(address, width, height) {
    const { browserContextId } = await ask("Target.createBrowserContext");
    const { targetId } = await ask("Target.createTarget", { url: "about:blank", browserContextId });
    const { sessionId } = await ask("Target.attachToTarget", { targetId, flatten: true });
    const phone = new Phone();
    Object.assign(phone, { session: sessionId, target: targetId });
    await phone.ask("Page.enable");
    await phone.ask("Runtime.enable");
    await phone.ask("Network.enable");
    await phone.ask("Log.enable");
    await phone.ask("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 2, mobile: true });
    await phone.ask("Emulation.setTouchEmulationEnabled", { enabled: true });
    await phone.ask("Page.navigate", { url: address });
    return phone;
  }
  ask(method, params) { return ask(method, params, this.session); }
  async say(script) {
    const { result, exceptionDetails } = await this.ask("Runtime.evaluate", { expression: script, returnByValue: true, awaitPromise: true });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description || exceptionDetails.text);
    return result.value;
  }
  // Patience for a slow machine; what comes sooner is not waited for.
  async until(script, seconds = 60) {
    for (let i = 0; i < seconds * 10; i++) {
      if (await this.say(script)) return true;
      await sleep(100);
    }
    return false;
  }
  async picture(name) {
    const { data } = await this.ask("Page.captureScreenshot", { captureBeyondViewport: true });
    writeFileSync(join(folder, name), Buffer.from(data, "base64"));
  }
  async key(key, code = key, text) {
    await this.ask("Input.dispatchKeyEvent", { type: "keyDown", key, code, windowsVirtualKeyCode: { Tab: 9, Enter: 13 }[key], text });
    await this.ask("Input.dispatchKeyEvent", { type: "keyUp", key, code, windowsVirtualKeyCode: { Tab: 9, Enter: 13 }[key] });
  }
  // What a screen reader is told: role and name of everything that has one.
  async spoken() {
    const { nodes } = await this.ask("Accessibility.getFullAXTree");
    return nodes.filter((n) => !n.ignored).map((n) => ({ role: n.role?.value, name: n.name?.value || "" }));
  }
}

// The network between the first phone and the program: it can be cut. What the browser calls
// it is put right on the way, since the page knows one name alone.
const real = new URL(address).host;
const links = new Set();
let cut = false;
const between = createServer((phone) => {
  if (cut) { phone.destroy(); return; }
  const program = connect(Number(real.split(":")[1]), real.split(":")[0]);
  const both = [phone, program];
  both.forEach((end) => {
    links.add(end);
    end.on("error", () => {});
    end.on("close", () => { links.delete(end); both.forEach((other) => other.destroy()); });
  });
  phone.on("data", (bytes) => program.write(bytes.toString("latin1").replaceAll(`127.0.0.1:${between.address().port}`, real), "latin1"));
  program.on("data", (bytes) => phone.write(bytes));
});
await new Promise((open) => between.listen(0, "127.0.0.1", open));
const net = (there) => { cut = !there; if (cut) links.forEach((end) => end.destroy()); };
const detour = address.replace(real, `127.0.0.1:${between.address().port}`);

const found = {};
try {
  const one = await Phone.open(detour, 390, 844), two = await Phone.open(address, 360, 640);
  const lives = `document.getElementById("stance").textContent.length > 2 && document.getElementById("corners").children.length > 0`;
  found.both_live = await one.until(lives) && await two.until(lives);
  found.wider_than_the_phone = [await one.say("document.documentElement.scrollWidth > innerWidth"), await two.say("document.documentElement.scrollWidth > innerWidth")];
  await one.picture("phone-live.png");
  await two.picture("phone-small.png");

  // It sleeps: without network, then frozen, while the program goes on; then it wakes.
  net(false);
  found.offline_says_old = await one.until(`document.body.classList.contains("old") && document.getElementById("news").textContent.includes("nothing for")`);
  await one.picture("phone-old.png");
  await one.ask("Page.setWebLifecycleState", { state: "frozen" });
  await sleep(5000);
  await one.ask("Page.setWebLifecycleState", { state: "active" });
  net(true);
  await one.say(`document.dispatchEvent(new Event("visibilitychange"))`);
  found.wakes = await one.until(`!document.body.classList.contains("old")`);
  const text = `document.getElementById("kept").textContent`;
  let same = false;
  for (let i = 0; i < 50 && !same; i++) {
    const [a, b] = await Promise.all([one.say(text), two.say(text)]);
    same = a === b && a.length > 0;
    await sleep(200);
  }
  found.caught_up = same;
  found.other_never_old = !await two.say(`document.body.classList.contains("old")`);

  // By keyboard alone.
  const order = [];
  for (let i = 0; i < 12; i++) {
    await one.key("Tab");
    const at = await one.say(`(() => { const a = document.activeElement; return a === document.body ? "" : (a.getAttribute("aria-label") || a.textContent).trim(); })()`);
    if (!at || order.includes(at)) break;
    order.push(at);
  }
  found.tab_order = order;
  await one.say(`document.getElementById("tones").focus()`);
  await one.key("Enter", "Enter", "\r");
  found.tones_by_key = await one.until(`document.getElementById("tones").getAttribute("aria-pressed") === "true"`, 10);
  found.outline = await one.say(`getComputedStyle(document.getElementById("tones")).outlineStyle`);
  await one.say(`document.getElementById("keep").focus()`);
  await one.key("Enter", "Enter", "\r");
  found.keep_answered = await one.until(`document.getElementById("message").textContent !== "That was not taken."`, 5);
  // Buttons are heard once in a third of a second.
  await sleep(600);
  const loadIsOn = `document.querySelector("[data-key=load0]").getAttribute("aria-pressed")`;
  const was = await two.say(loadIsOn);
  await one.say(`document.querySelector("[data-key=load0]").focus()`);
  await one.key("Enter", "Enter", "\r");
  found.load_seen_on_the_other = await two.until(`${loadIsOn} !== ${JSON.stringify(was)}`, 20);
  found.focus_stays = await one.say(`document.activeElement.dataset.key === "load0"`);

  const spoken = await one.spoken();
  const kinds = new Set(["button", "link", "heading", "list", "region", "status", "alert", "img", "image", "meter"]);
  found.spoken = spoken.filter((n) => kinds.has(n.role)).map((n) => `${n.role}: ${n.name}`);
  found.unnamed = spoken.filter((n) => ["button", "link", "img", "image", "meter", "textbox"].includes(n.role) && !n.name.trim()).map((n) => n.role);
  found.targets_too_small = await one.say(`[...document.querySelectorAll("button")].filter((b) => !b.hidden && b.offsetHeight && (b.offsetHeight < 44 || b.offsetWidth < 44)).map((b) => b.textContent)`);
  await one.picture("phone-allowed.png");
  await one.ask("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: "dark" }] });
  await one.picture("phone-dark.png");
  // Something from elsewhere, or something that the page's own policy refused.
  const wanted = heard.filter((n) => n.method === "Network.requestWillBeSent").map((n) => n.params.request.url);
  found.asked_elsewhere = wanted.filter((u) => !u.startsWith(address) && !u.startsWith(detour) && !u.startsWith("data:") && u !== "about:blank");
  found.complaints = heard.filter((n) => n.method === "Log.entryAdded" && n.params.entry.level === "error" && !/ERR_EMPTY|ERR_CONNECTION_RESET|ERR_CONNECTION_CLOSED|ERR_INCOMPLETE|ERR_SOCKET/.test(n.params.entry.text))
    .map((n) => n.params.entry.text)
    .concat(heard.filter((n) => n.method === "Runtime.exceptionThrown").map((n) => n.params.exceptionDetails.text));
} catch (error) {
  found.failed = String(error.stack || error);
} finally {
  console.log(JSON.stringify(found, null, 1));
  socket.close();
  between.close();
  net(false);
  browser.kill("SIGKILL");
  await sleep(300);
  rmSync(own, { recursive: true, force: true, maxRetries: 5 });
}
