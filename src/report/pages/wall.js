// The board on a wall that nobody scrolls: as large as it fits on, everything at once. Only where not all benches that call fit
// do their cards take turns, and the board says so. Without this script the board is a page like others.
(function () {
  "use strict";
  var html = document.documentElement;
  var fleet = document.querySelector(".fleet");
  if (!fleet) return;
  var instruments = Array.prototype.slice.call(fleet.children);
  var list = document.querySelector("ol.calls");
  var cards = list ? Array.prototype.slice.call(list.children) : [];
  var notes = Array.prototype.slice.call(document.querySelectorAll(".margin details"));
  var turn = document.getElementById("turn");
  var alive = document.getElementById("alive");
  var refreshes = Number(document.currentScript.dataset.refresh) > 0;
  var isCompact = document.body.classList.contains("compact");
  var wasCrowded = list && list.classList.contains("crowded");
  // A laptop's picture on a projector, at least.
  var LEAST_PX = [1000, 600];
  // For so long a card stands: time to find one's name and to read a remedy of thirty words (200 words a minute; common practice,
  // no source).
  var TURN_MS = 12000;
  // More turns than these are put off in favour of smaller instruments: every card shall come within half a minute or so.
  var MOST_TURNS = 3;
  // From the roomiest to the tightest: letters in hundredths of the window's height; how much less an instrument shows; how much less a
  // card does (from 2 on, the remedy of what is to be done first alone: nobody mends two things at once).
  // Nothing on the wall is smaller than 0.84 × 2.4, two hundredths: on a picture 1.25 m high its capitals are 17 mm, which an eye
  // with half of normal sight reads from 6 m (10 minutes of arc; normal sight is 5, ISO 8596).
  var STEPS = [[3.4, 0, 0], [2.9, 0, 0], [2.4, 0, 0], [2.9, 1, 0], [2.4, 1, 0], [2.4, 1, 1], [2.4, 1, 2], [2.4, 2, 2], [2.4, 3, 2], [2.4, 4, 2]];
  var steps = STEPS.filter(function (step) { return !isCompact || step[1] > 0; });
  var turns = [];
  var at = 0;
  var due = Infinity;
  var isHeld = false;

  function set(step) {
    html.style.fontSize = step[0] + "vh";
    html.dataset.fleet = step[1];
    html.dataset.cards = step[2];
    if (list) list.classList.toggle("crowded", step[2] > 0);
    // The tightest shows signs without words: to those who do not see them the names say it.
    instruments.forEach(function (instrument) {
      var link = instrument.querySelector("h3 a");
      var state = instrument.querySelector(".due span, .state span");
      if (step[1] === 4) link.setAttribute("aria-label", link.textContent + ": " + state.textContent);
      else link.removeAttribute("aria-label");
    });
  }

  function fits() { return html.scrollHeight <= innerHeight && html.scrollWidth <= html.clientWidth; }

  function show(from, to) {
    cards.forEach(function (card, i) { card.hidden = i < from || i >= to; });
  }

  // How many cards from this one on fit at once, tried from `take` on; none is 0.
  function fitting(from, take) {
    var n = cards.length - from;
    take = Math.min(Math.max(take, 1), n);
    for (show(from, from + take); take > 0 && !fits(); show(from, from + take)) take--;
    for (; take > 0 && take < n; take++) {
      show(from, from + take + 1);
      if (!fits()) break;
    }
    return take;
  }

  // The cards in turns that fit, worst first; nothing where one does not fit even alone.
  function turnsOf(take) {
    var found = [];
    for (var from = 0; from < cards.length; from += take) {
      take = fitting(from, take);
      if (take === 0) return null;
      found.push([from, from + take]);
    }
    return found;
  }

  // Each try lays out the whole board: what cannot be is not tried.
  function chosen() {
    show(0, cards.length);
    set(steps[steps.length - 1]);
    if (fits()) {
      for (var i = 0; i < steps.length; i++) {
        set(steps[i]);
        if (fits()) return [[0, cards.length]];
      }
    }
    var best = null;
    for (i = 0; i < steps.length; i++) {
      if (steps[i][2] === 0) continue;
      set(steps[i]);
      var take = fitting(0, 1);
      if (take > 0 && (!best || take > best.take)) best = { step: steps[i], take: take };
      if (best && best.take * MOST_TURNS >= cards.length) break;
    }
    if (!best) return null;
    set(best.step);
    return turnsOf(best.take);
  }

  // A page that is loaded anew goes on where it was: otherwise a busy class would only ever see the first.
  function kept() {
    try { return JSON.parse(sessionStorage.getItem("turn")) || {}; } catch (e) { return {}; }
  }

  function keep() {
    var first = cards[turns[at][0]].querySelector("h3").textContent;
    try { sessionStorage.setItem("turn", JSON.stringify({ first: first, due: due, isHeld: isHeld })); } catch (e) { return; }
  }

  function say() {
    var now = turns[at];
    show(now[0], now[1]);
    if (!turn) return;
    turn.hidden = turns.length < 2;
    var isMoving = refreshes && !isHeld;
    var words = isMoving ? turn.dataset.turns : turn.dataset.still;
    turn.querySelector("span").textContent = words.replace("{from}", now[0] + 1).replace("{to}", now[1]).replace("{n}", cards.length);
    var hold = turn.querySelector("[data-to=hold]");
    hold.hidden = !refreshes;
    hold.textContent = isHeld ? hold.dataset.held : hold.dataset.free;
  }

  function next() {
    at = (at + 1) % turns.length;
    due = Date.now() + TURN_MS;
    say();
    keep();
  }

  function leave() {
    if (html.classList.contains("wall")) notes.forEach(function (note) { note.open = true; });
    html.classList.remove("wall");
    html.style.fontSize = "";
    if (list) list.classList.toggle("crowded", wasCrowded);
    show(0, cards.length);
    turns = [];
    if (turn) turn.hidden = true;
  }

  function arrange() {
    leave();
    if (innerWidth < LEAST_PX[0] || innerHeight < LEAST_PX[1]) return;
    html.classList.add("wall");
    notes.forEach(function (note) { note.open = false; });
    if (turn) turn.hidden = false;
    var found = chosen();
    if (!found) {
      leave();
      return;
    }
    turns = found;
    at = 0;
    due = Date.now() + TURN_MS;
    if (turns.length > 1) {
      var last = kept();
      turns.forEach(function (t, i) {
        if (cards[t[0]].querySelector("h3").textContent === last.first) at = i;
      });
      if (at > 0 || last.isHeld) due = Math.min(due, last.due || due);
      isHeld = Boolean(last.isHeld);
    }
    say();
  }

  if (turn) {
    turn.addEventListener("click", function (event) {
      var to = event.target.dataset.to;
      if (to === "next") next();
      if (to === "hold") {
        isHeld = !isHeld;
        due = Date.now() + TURN_MS;
        say();
        keep();
      }
    });
  }
  setInterval(function () {
    if (refreshes && !isHeld && turns.length > 1 && Date.now() >= due) next();
  }, 500);
  addEventListener("resize", arrange);
  addEventListener("beforeprint", leave);
  addEventListener("afterprint", arrange);
  new MutationObserver(function () { if (turns.length && !notes.some(function (n) { return n.open; }) && !fits()) arrange(); }).observe(alive, { childList: true, attributes: true });
  arrange();
})();
