// Each bench's own address as a code that its phone reads, where a server hands out the board and makes the codes. The file on a
// disk has none: nobody reaches it from a phone.
(function () {
  "use strict";
  var html = document.documentElement;
  var button = document.getElementById("codes");
  var fleet = document.querySelector(".fleet");
  if (!button || !fleet || !/^https?:$/.test(location.protocol)) return;
  var benches = Array.prototype.slice.call(fleet.children);
  var words = button.textContent;
  // Room for a name below its code, px.
  var namePx = 52;

  benches.forEach(function (bench) {
    var link = bench.querySelector("h3 a");
    var code = new Image();
    code.className = "code";
    code.alt = button.dataset.alt.replace("{name}", link.textContent);
    code.src = link.getAttribute("href").replace(/index\.html$/, "code.svg");
    bench.appendChild(code);
    bench.classList.add("coded");
  });

  // As large as all of them fit on the window.
  function size() {
    var best = 0;
    for (var columns = 1; columns <= benches.length; columns++) {
      var high = (innerHeight - 60) / Math.ceil(benches.length / columns) - namePx;
      best = Math.max(best, Math.min((innerWidth - 60) / columns - 16, high));
    }
    fleet.style.setProperty("--code", Math.floor(best) + "px");
  }

  function turn(isOn) {
    html.classList.toggle("codes", isOn);
    button.textContent = isOn ? button.dataset.back : words;
    size();
  }

  button.hidden = false;
  button.addEventListener("click", function () { turn(!html.classList.contains("codes")); });
  addEventListener("keydown", function (event) { if (event.key === "Escape") turn(false); });
  addEventListener("resize", size);
  addEventListener("beforeprint", function () { turn(false); });
})();
