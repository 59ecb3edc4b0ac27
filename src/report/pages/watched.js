// Says on board and bench pages whether the program still looks, and loads a page anew once there is something new. What the
// program says of itself stands in alive.js beside this file, which is written at every listing.
(function () {
  "use strict";
  var own = document.currentScript;
  var box = document.getElementById("alive");
  var source = new URL("alive.js", own.src).href;
  var refreshMs = 1000 * Number(own.dataset.refresh);
  // By default a listing every 5 s: how often to ask where the pages do not refresh by themselves.
  var everyMs = refreshMs > 0 ? refreshMs : 5000;
  // So often even where nothing seems new: the page may have been loaded just before its tables were made.
  var longestMs = 60000;
  var loadedAt = Date.now();
  var changedAt = loadedAt;
  var heard = null;
  var made = null;
  // A time in a text that runs from right to left is set apart from it.
  var isTurned = document.documentElement.dir === "rtl";
  function apart(text) { return isTurned ? "\u2068" + text + "\u2069" : text; }

  function load() {
    var script = document.createElement("script");
    script.src = source + "?" + Date.now();
    script.onload = script.onerror = function () { script.remove(); show(); };
    document.head.appendChild(script);
  }

  function show() {
    if (!heard) return;
    var isWatched = heard.state === "watched";
    var isSilent = isWatched && Date.now() - changedAt > 3000 * heard.every_s;
    var state = isSilent ? "silent" : isWatched && heard.trouble ? "blind" : heard.state;
    var words = box.dataset[state] || "";
    if (heard.address && state === "watched") words += " " + box.dataset.address;
    words = words.replace("{at}", apart(heard.at)).replace("{address}", heard.address);
    if (box.textContent !== words) box.textContent = words;
    box.className = state;
    box.hidden = words === "";
  }

  window.slitwatch = function (said) {
    if (said.above) {
      source = new URL("../alive.js", source).href;
      load();
      return;
    }
    if (!heard || heard.ms !== said.ms) {
      // On the computer itself there is one clock. Elsewhere two may differ, and only that something changes can be relied on.
      changedAt = location.protocol === "file:" ? Math.min(said.ms, Date.now()) : Date.now();
    }
    heard = said;
    if (made === null) made = said.made;
    show();
    var isFresh = said.state !== "watched" || Date.now() - changedAt <= 3000 * said.every_s;
    var isDue = said.made !== made || (said.state === "watched" && Date.now() - loadedAt > longestMs);
    if (refreshMs > 0 && isFresh && isDue) location.reload();
  };

  load();
  setInterval(load, everyMs);
})();
