import { show } from "/own/live.js";
import { tell } from "/own/read_out.js";

// Keeps a page as new as its server: parts that differ are replaced; says so when no word comes any more.
const SILENT_MS = 6000, AGAIN_MS = 2000, STEP_PX = 40;
const band = document.getElementById("cut-off");
let heard = performance.now(), etag = document.body.dataset.etag, title = document.title, asking = false, missed = false;

function address() {
  const url = new URL(location.href), pictures = document.querySelector("[data-width]");
  url.hash = "";
  if (pictures) url.searchParams.set("w", wanted(pictures));
  return url;
}

function wanted(pictures) {
  const size = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const width = Math.floor(pictures.clientWidth * 16 / Math.max(size, 16)); // letters of a picture grow with those of the page
  return Math.min(Math.max(width - (width % STEP_PX), 320), 1240);
}

async function renew() {
  if (asking) { missed = true; return; }
  asking = true;
  try {
    const answer = await fetch(address(), { headers: { accept: "text/html" } });
    if (answer.ok) replace(new DOMParser().parseFromString(await answer.text(), "text/html"));
  } catch { /* the band says it */ }
  asking = false;
  if (missed) { missed = false; renew(); }
}

function place(focused) {
  const named = focused?.closest("[id]")?.id;
  if (!named) return "";
  return focused.id ? `#${CSS.escape(named)}` : `#${CSS.escape(named)} ${focused.tagName}${focused.className ? "." + focused.className : ""}`;
}

function replace(next) {
  const focused = place(document.activeElement);
  const open = [...document.querySelectorAll("details[open]")].map((each) => each.closest("[id]")?.id);
  for (const part of document.querySelectorAll("[data-part]")) {
    const other = next.querySelector(`[data-part="${part.dataset.part}"]`);
    if (other && part.outerHTML !== other.outerHTML) part.replaceWith(document.importNode(other, true));
  }
  for (const id of open) document.getElementById(id)?.querySelector("details")?.setAttribute("open", "");
  if (focused && !document.querySelector(focused)?.contains(document.activeElement)) document.querySelector(focused)?.focus({ preventScroll: true });
  etag = next.body.dataset.etag;
  title = next.title;
  name();
}

function name() {
  const seconds = Math.round((performance.now() - heard) / 1000), silent = seconds * 1000 >= SILENT_MS;
  document.title = silent ? `silent: ${title}` : title;
  const words = `This page has had no word from its server for ${seconds} s; it tries again. Everything below is old.`;
  if (silent) show(null);
  if (silent && (band.hidden || seconds % 10 === 0)) band.textContent = words;
  band.hidden = !silent;
}

function listen() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const socket = new WebSocket(`${scheme}://${location.host}/word?of=${encodeURIComponent(location.pathname + location.search)}`);
  socket.onmessage = (message) => {
    heard = performance.now();
    const word = JSON.parse(message.data);
    name();
    show(word.live);
    if (word.etag && word.etag !== etag) { etag = word.etag; renew(); }
  };
  socket.onclose = () => setTimeout(listen, AGAIN_MS);
}

function walk(event) {
  const tiles = [...document.querySelectorAll(".tile a")], at = tiles.indexOf(document.activeElement);
  if (at < 0) return;
  const across = tiles.filter((each) => each.getBoundingClientRect().top === tiles[0].getBoundingClientRect().top).length || 1;
  const step = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: across, ArrowUp: -across, Home: -at, End: tiles.length - 1 - at }[event.key];
  if (step === undefined || !tiles[at + step]) return;
  event.preventDefault();
  tiles[at + step].focus();
}

let waiting = 0;
function fit() {
  const pictures = document.querySelector("[data-width]");
  if (pictures && Math.abs(Number(pictures.dataset.width) - wanted(pictures)) >= STEP_PX) renew();
}
addEventListener("resize", () => { clearTimeout(waiting); waiting = setTimeout(fit, 300); });
addEventListener("keydown", walk);
addEventListener("keydown", tell);
setInterval(name, 1000);
fit();
listen();
