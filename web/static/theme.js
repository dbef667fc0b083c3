// Runs before the first paint, so that a dark room is not flashed: the only script that is no module.
(function () {
  var wish = null;
  try { wish = JSON.parse(localStorage.getItem("ls.prefs") || "{}").theme; } catch (e) { /* a broken entry counts as none */ }
  var dark = wish === "dark" || wish !== "light" && matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = dark ? "dark" : "light";
})();
