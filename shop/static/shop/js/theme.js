// Keeps the reader's choice of light or dark. Loaded in <head>, before anything is painted.
"use strict";
(() => {
  const root = document.documentElement;
  const device = matchMedia("(prefers-color-scheme: dark)");
  const read = () => { try { return localStorage.getItem("theme"); } catch { return null; } };
  const keep = (theme) => {
    try { theme ? localStorage.setItem("theme", theme) : localStorage.removeItem("theme"); } catch { /* not kept */ }
  };
  const ofDevice = () => (device.matches ? "dark" : "light");
  const shown = () => root.dataset.theme || ofDevice();
  const say = () => {
    for (const button of document.querySelectorAll("[data-theme-toggle]")) {
      button.hidden = false;
      button.textContent = shown() === "dark" ? "Light theme" : "Dark theme";
    }
  };
  const chosen = read();
  if (chosen === "dark" || chosen === "light") root.dataset.theme = chosen;
  document.addEventListener("DOMContentLoaded", say);
  device.addEventListener("change", say);
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-theme-toggle]")) return;
    const next = shown() === "dark" ? "light" : "dark";
    // A choice that agrees with the device is no choice: follow the device again.
    if (next === ofDevice()) { delete root.dataset.theme; keep(null); }
    else { root.dataset.theme = next; keep(next); }
    say();
  });
})();
