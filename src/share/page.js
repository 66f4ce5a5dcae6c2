"use strict";
// The page follows the reading: a stream while it is looked at, one picture when it wakes.
(() => {
  const by = (id) => document.getElementById(id);
  const make = (kind, words, ...inside) => {
    const made = document.createElement(kind);
    if (words) made.className = words;
    made.append(...inside);
    return made;
  };
  const put = (id, text) => { const at = by(id); if (at.textContent !== text) at.textContent = text; };
  let stream = null, last = 0, before = null, sound = null;

  const lasting = (s) => s === null ? "" : s < 90 ? ` for ${Math.round(s)} s` : ` for ${Math.round(s / 60)} min`;

  const svg = (kind, parts) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", kind);
    for (const [name, value] of Object.entries(parts)) made.setAttribute(name, value);
    return made;
  };

  // The tolerance as a zone about the aim, a mark where it is: the middle is the target.
  const gauge = (s) => {
    if (s.off_mm === null || !s.tolerance_mm) return "";
    const reach = 3;
    const x = (share) => 100 + Math.max(-1, Math.min(1, share / reach)) * 94;
    const at = x(s.off_mm / s.tolerance_mm);
    const drawn = svg("svg", { viewBox: "0 0 200 14", preserveAspectRatio: "none", "aria-hidden": "true" });
    drawn.append(
      svg("rect", { class: "zone", x: x(-1), y: 0, width: x(1) - x(-1), height: 14 }),
      svg("line", { class: "aim", x1: 100, x2: 100, y1: 0, y2: 14 }),
      svg("circle", { class: "at", cx: at, cy: 7, r: 5 }),
    );
    return make("div", "gauge", drawn);
  };

  const mark = { inside: "● inside", outside: "✕ outside", "cannot tell": "? cannot tell" };

  // What did not change is not made anew: focus and screen readers stay where they are.
  const keepOrMake = (id, parts, draw) => {
    const text = JSON.stringify(parts), list = by(id);
    if (list.dataset.shown === text) return;
    list.dataset.shown = text;
    const focus = document.activeElement && document.activeElement.dataset.key;
    list.replaceChildren(...parts.map(draw));
    if (focus) { const again = list.querySelector(`[data-key="${focus}"]`); if (again) again.focus(); }
  };

  // The value large, its interval and unit small beside it, never apart.
  const figure = (f) => {
    if (!f) return ["cannot tell"];
    const [value, half] = f.text.split(" ± ");
    return half ? [make("span", "v", value), " ", make("span", "pm", `± ${half}`)] : [value];
  };

  const angle = ([name, a, words]) => make("div", "", make("dt", "", name),
    make("dd", "", ...figure(a), make("small", "", words || "")));

  const corner = (s) => make("li", "",
    make("div", "name", make("span", "", s.name), make("span", s.verdict.split(" ")[0], mark[s.verdict] || s.verdict)),
    make("div", "value", ...figure(s.height)),
    gauge(s), make("small", "", s.aim ? `aim ${s.aim}` : "no aim"));

  const load = (may) => (l, i) => {
    const what = make("span", "what", `${l.name} `, make("small", "", l.weight));
    if (!may) return make("li", "", what, make("span", l.on ? "tag" : "tag off", l.on ? "on" : "off"));
    const button = make("button", "", l.on ? "on – take off" : "off – put on");
    button.type = "button";
    button.dataset.key = `load${i}`;
    button.setAttribute("aria-pressed", String(l.on));
    button.setAttribute("aria-label", `${l.name}: ${l.on ? "on, mark it off" : "off, mark it on"}`);
    button.addEventListener("click", () => ask(`load/${i}/${l.on ? "off" : "on"}`));
    return make("li", "", what, button);
  };

  const ask = async (path) => {
    try {
      const answer = await fetch(path, { method: "POST" });
      put("message", answer.ok ? "" : answer.status === 429 ? "Not so fast: once more." : "That was not taken.");
    } catch { put("message", "No answer: is the program still running?"); }
  };

  const tone = (pitches) => {
    if (!sound) return;
    pitches.forEach((hz, i) => {
      const o = sound.createOscillator(), g = sound.createGain(), t = sound.currentTime + i * 0.18;
      o.frequency.value = hz;
      g.gain.setValueAtTime(0.2, t);
      g.gain.exponentialRampToValueAtTime(0.001, t + 0.16);
      o.connect(g).connect(sound.destination);
      o.start(t); o.stop(t + 0.17);
    });
  };

  const stops = (p) => (p.task ? p.task.words : []).some((w) => w.word.includes("stop"));
  const sounds = (p) => {
    if (before) {
      if (stops(p) && !stops(before)) tone([880, 880, 880]);
      else if (p.level && !before.level) tone([523, 659, 784]);
      else if (p.motion === "still" && before.motion !== "still") tone([523]);
    }
    before = p;
  };

  const show = (p) => {
    last = Date.now();
    document.title = `${p.stance} – ${p.vehicle}`;
    put("vehicle", p.vehicle);
    put("news", p.source);
    const motion = by("motion");
    // Spoken only when it changes, not with every second.
    motion.setAttribute("aria-label", p.motion);
    put("motion", p.motion + lasting(p.motion_s));
    motion.classList.toggle("still", p.motion === "still");
    put("stance", p.stance);
    put("togo", p.to_go);
    keepOrMake("angles", [["roll", p.roll, "left side up +"], ["pitch", p.pitch, "nose down +"],
      ...p.links.map((l) => [l.name, l.angle, l.aim ? `aim ${l.aim}, ${l.verdict}` : ""])], angle);
    keepOrMake("corners", p.stations, corner);
    keepOrMake("loads", p.loads.map((l) => ({ ...l, may: p.allowed.load })), (l, i) => load(p.allowed.load)(l, i));
    by("keep").hidden = !p.allowed.keep;
    by("doing").hidden = !p.task;
    if (p.task) { put("task", p.task.title); put("step", p.task.step); put("caution", p.task.caution || ""); }
    put("next", p.next ? `Next: ${p.next}` : "");
    put("kept", p.kept ? `Kept last (${p.kept_units}): ${p.kept}` : "");
    put("message", p.message && p.message.weight !== "notice" ? `${p.message.weight}: ${p.message.text}`
      : p.not_heard.length ? `Not heard: ${p.not_heard.join(", ")}` : "");
    sounds(p);
  };

  const follow = () => {
    if (stream) stream.close();
    stream = new EventSource("live");
    stream.onmessage = (event) => show(JSON.parse(event.data));
  };

  // A phone that slept: its stream may be dead without knowing. The newest picture at once.
  const wake = async () => {
    follow();
    try { const answer = await fetch("now"); if (answer.ok) show(await answer.json()); } catch { /* the clock below says so */ }
  };

  document.addEventListener("visibilitychange", () => { if (!document.hidden) wake(); });
  window.addEventListener("online", wake);
  setInterval(() => {
    const old = Date.now() - last > 6000;
    document.body.classList.toggle("old", old);
    if (old) put("news", last ? `old: nothing for ${Math.round((Date.now() - last) / 1000)} s` : "no connection");
  }, 1000);

  by("keep").addEventListener("click", () => ask("keep"));
  by("tones").addEventListener("click", (event) => {
    sound = sound ? (sound.close(), null) : new AudioContext();
    event.target.setAttribute("aria-pressed", String(!!sound));
    event.target.textContent = sound ? "Tones: on" : "Tones: off";
    tone([659]);
  });
  follow();
})();
