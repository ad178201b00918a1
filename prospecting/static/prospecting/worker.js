// Pages without a signal. The site writes SITE = {version, shell: [addresses], language, nothingKept} in front of this. Kept are the style sheet and
// the scripts (shell), and pages that say X-Keep-On-Phone: 1, so never one with a key; entries wait in IndexedDB, see queue.js.
"use strict";
const SHELL = `shell-${SITE.version}`;
const PAGES = "pages";
const PATIENCE_MS = 3000;
const MOST_PAGES = 80;
const GATEWAY_DOWN = [502, 503, 504];
const { title, says, onward } = SITE.nothingKept;
const NOTHING_KEPT = `<!doctype html><html lang="${SITE.language}"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>${title}</title><h1>${title}</h1><p>${says}</p><p><a href="/phone/">${onward}</a></p></html>`;
// Where somebody was just sent to a kept page: it is shown at once, without a second wait.
const sentOn = new Set();

self.addEventListener("install", (event) => event.waitUntil((async () => {
  const shell = await caches.open(SHELL);
  await shell.addAll(SITE.shell.map((address) => new Request(address, { cache: "no-cache" })));
  await self.skipWaiting();
})()));

self.addEventListener("activate", (event) => event.waitUntil((async () => {
  await self.clients.claim();
  const pages = await caches.open(PAGES);
  await keepAll((await pages.keys()).map((request) => request.url));
})()));

// From queue.js: {keep: [addresses]}, all that this phone shall hold below /phone/.
self.addEventListener("message", (event) => {
  if (event.data?.keep) event.waitUntil(keepAll(event.data.keep, true));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (request.mode === "navigate") event.respondWith(open(event, url));
  else if (url.pathname.startsWith("/static/"))
    event.respondWith(caches.match(request, { ignoreVary: true }).then((kept) => kept || fetch(request)));
});

async function open(event, url) {
  const path = url.pathname;
  const pages = await caches.open(PAGES);
  const hasOwn = Boolean(await pages.match(path));
  const standIn = hasOwn ? null : standInFor(path);
  const instead = standIn && (await pages.match(standIn.split("?")[0])) ? standIn : null;
  const kept = async () => {
    if (hasOwn) return pages.match(path);
    if (instead) return sendOn(instead);
    return (await pages.match("/phone/")) ? sendOn("/phone/?needs-signal") : sorry();
  };
  if (sentOn.delete(path)) return kept();
  const fetching = fetch(event.request);
  // An answer that comes after the patience has run out is still kept for the next time.
  const arrived = fetching.then(async (response) => {
    if (isForKeeping(response) && !url.search) await keep(path, response.clone(), false);
  });
  event.waitUntil(arrived.catch(() => undefined));
  const inTime = hasOwn || instead ? [fetching, wait(PATIENCE_MS)] : [fetching];
  try {
    const response = await Promise.race(inTime);
    return response && !GATEWAY_DOWN.includes(response.status) ? response : kept();
  } catch {
    return kept();
  }
}

function standInFor(path) {
  const trial = path.match(/^\/trials\/(\d+)\/(?:next|runs\/([^/]+))\/$/);
  if (trial) return `/phone/trials/${trial[1]}/${trial[2] ? `?code=${trial[2]}` : ""}`;
  const lot = path.match(/^\/(?:lots|LOTS)\/([A-Z0-9-]+)\/(?:([a-z-]+)\/)?$/);
  if (lot) return `/phone/lots/${lot[2] ? `${lot[2]}/` : ""}?lot=${lot[1]}`;
  return path === "/" ? "/phone/" : null;
}

function sendOn(address) {
  sentOn.add(address.split("?")[0]);
  return Response.redirect(address);
}

function sorry() {
  return new Response(NOTHING_KEPT, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}

function wait(milliseconds) {
  return new Promise((done) => setTimeout(done, milliseconds));
}

function isForKeeping(response) {
  return response.status === 200 && !response.redirected && response.headers.get("X-Keep-On-Phone") === "1";
}

// A page is kept as it would be fetched anew: without what was said once to somebody, and with the time it was kept.
async function keep(path, response, isFresh) {
  const text = await response.text();
  if (!isFresh && text.includes("data-said")) return keepOne(path);
  const headers = new Headers(response.headers);
  for (const name of ["Content-Encoding", "Content-Length", "Vary"]) headers.delete(name);
  const marked = text.replace("<html ", `<html data-kept="${new Date().toISOString()}" `);
  const pages = await caches.open(PAGES);
  await pages.put(path, new Response(marked, { headers }));
  const paths = await pages.keys();
  for (const old of paths.slice(0, Math.max(0, paths.length - MOST_PAGES))) await pages.delete(old);
}

// True when the site has answered for this page: kept, or no longer there to be kept.
async function keepOne(address) {
  const response = await fetch(address, { headers: { "X-Phone-Keeping": "1" } }).catch(() => null);
  if (!response) return false;
  if (isForKeeping(response)) await keep(new URL(response.url).pathname, response, true);
  else if ([403, 404, 410].includes(response.status)) await (await caches.open(PAGES)).delete(address);
  return !response.redirected && response.status < 500;
}

async function keepAll(addresses, isWhole = false) {
  const pages = await caches.open(PAGES);
  // What is opened while all are fetched is newer than their list.
  const before = await pages.keys();
  const answered = [];
  for (const address of addresses) answered.push(await keepOne(address));
  if (!answered.every(Boolean)) return;
  // All pages are dressed in the scripts of this version: those of earlier ones can go.
  for (const name of await caches.keys()) if (name.startsWith("shell-") && name !== SHELL) await caches.delete(name);
  if (!isWhole) return;
  for (const request of before) {
    const { pathname } = new URL(request.url);
    if (pathname.startsWith("/phone/") && !addresses.includes(pathname)) await pages.delete(request);
  }
}
