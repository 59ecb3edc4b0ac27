// How much time is left until the class ends, by this screen's own clock: only while somebody watches, for what was made long ago
// has no end to come.
(function () {
  "use strict";
  var ends = document.getElementById("ends");
  var alive = document.getElementById("alive");
  if (!ends || !alive) return;
  var dayMin = 24 * 60;

  function leftMin() {
    var at = ends.dataset.at;
    if (at.indexOf("-") > 0) return (new Date(at.replace(" ", "T")) - Date.now()) / 60000;
    var clock = at.split(":");
    var now = new Date();
    var left = 60 * Number(clock[0]) + Number(clock[1]) - (60 * now.getHours() + now.getMinutes());
    // A class that ends past midnight began the day before.
    return left < -dayMin / 2 ? left + dayMin : left;
  }

  function show() {
    var min = Math.ceil(leftMin());
    var isWatched = /^(watched|silent|blind)$/.test(alive.className);
    var words = min <= 0 ? ends.dataset.over : min < 60 ? ends.dataset.soon : ends.dataset.left;
    words = words.replace("{h}", Math.floor(min / 60)).replace("{min}", min % 60);
    ends.lastChild.textContent = isWatched ? words : "";
  }

  show();
  setInterval(show, 5000);
  new MutationObserver(show).observe(alive, { attributes: true });
})();
