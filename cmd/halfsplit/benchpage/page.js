// The page shows what the server sends and sends what is entered. It thinks nothing.
"use strict";
const $ = id => document.getElementById(id);
const dead = 13000; // ms without a sign of life
let version = "", heard = 0, pending = null, sending = false, source = null, opened = 0;

// Whether the program is there, in words.
const tell = () => {
  const ok = Date.now() - heard < dead;
  let text = "● connected";
  if (!ok) text = "■ NOT CONNECTED: what you see may be old. " + (pending ? "“" + pending.text + "” is not acknowledged and is sent again." :
    "What was acknowledged is on the disk. If the program was ended, start it again and open the new address.");
  if ($("link").textContent !== text) { $("link").textContent = text; $("link").className = ok ? "good" : "bad"; }
};

const show = x => {
  version = x.version;
  for (const [name, html] of Object.entries(x.regions)) {
    const region = $(name), at = document.activeElement;
    const inside = region.contains(at), entry = at && at.dataset.entry;
    region.innerHTML = html;
    if (!inside) continue;
    const same = [...region.querySelectorAll("button")].find(b => b.dataset.entry === entry);
    (same || $("value")).focus();
  }
};

const listen = () => {
  if (source) source.close();
  opened = Date.now();
  source = new EventSource("events");
  source.onmessage = e => { heard = Date.now(); show(JSON.parse(e.data)); tell(); send(); };
  source.addEventListener("beat", () => { heard = Date.now(); tell(); send(); });
  source.onerror = () => { heard = 0; tell(); };
};

const problem = text => { $("problem").textContent = text; };

// An entry keeps its id until it is answered, so that it can be sent again and is
// entered once.
const send = async () => {
  if (!pending || sending) return;
  sending = true;
  try {
    const r = await fetch("enter", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(pending), signal: AbortSignal.timeout(30000) });
    if (r.status < 500) {
      const a = r.ok ? await r.json() : { entered: false, says: await r.text() };
      const field = pending.field && $(pending.field);
      pending = null;
      problem(a.entered ? "" : "not entered: " + a.says);
      if (field && a.entered) field.value = "";
    }
  } catch { heard = 0; } // no network: once there is a sign of life
  sending = false;
  tell();
};

const enter = (text, field) => {
  text = text.trim();
  if (!text) return;
  if (pending) { problem("not entered: “" + pending.text + "” is still on its way"); return; }
  const id = Array.from(crypto.getRandomValues(new Uint32Array(4)), n => n.toString(36)).join("-");
  pending = { id, version, text, field };
  problem("");
  send();
};

const value = $("value");
const press = key => {
  value.value = key === "erase" ? value.value.slice(0, -1) : value.value + key;
  value.focus();
};

document.addEventListener("click", e => {
  const b = e.target.closest("button");
  if (!b) return;
  if (b.dataset.key) press(b.dataset.key);
  else if (b.dataset.entry) enter(b.dataset.entry);
  else if (b.dataset.part) { // one part after the other, to say the same of all
    const o = [...$("part").options].find(o => o.value === b.dataset.part);
    if (o) { o.selected = !o.selected; o.scrollIntoView({ block: "nearest" }); }
    $("verb").focus({ preventScroll: false });
  }
});
document.addEventListener("submit", e => {
  e.preventDefault();
  const unit = $("unit").textContent;
  if (e.target.id === "enter") enter(/^-?[\d.]+$/.test(value.value) && unit ? value.value + " " + unit : value.value, "value");
  if (e.target.id === "action") {
    const parts = [...$("part").selectedOptions].map(o => o.value).join(", ");
    if (!parts) problem("not entered: choose a part first");
    else { enter($("verb").value.replace("$", () => parts)); $("part").selectedIndex = -1; }
  }
  if (e.target.id === "words") enter($("text").value, "text");
});
// Digits go into the field wherever the focus is.
document.addEventListener("keydown", e => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.target.matches("input, select") || !/^[\d.-]$/.test(e.key)) return;
  e.preventDefault();
  press(e.key);
});
setInterval(() => {
  tell();
  if (Date.now() - heard >= dead && Date.now() - opened > 4000) listen();
}, 1000);
listen();
