// On the page of a bench that has no lamp photo yet: what its instrument was the last time. instruments.js beside the list of
// sessions knows; a session that was carried away has none.
(function () {
  "use strict";
  var box = document.getElementById("before");
  if (!box) return;

  window.slitwatchInstruments = function (all) {
    var own = all.sessions.indexOf(box.dataset.session);
    var before = all.seen.filter(function (seen) {
      return seen.bench === box.dataset.bench && all.sessions.indexOf(seen.session) < own;
    });
    var last = before[before.length - 1];
    if (!last) return;
    box.textContent = box.dataset.words.split("{session}").join(last.session).split("{numbers}").join(last.numbers);
    box.hidden = false;
  };

  var script = document.createElement("script");
  script.src = new URL("../instruments.js", document.currentScript.src).href;
  document.head.appendChild(script);
})();
