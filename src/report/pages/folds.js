// Opens what a bench's page has folded where there is room for it, and on paper. On a phone it stays as its reader left it: the
// page is loaded anew with every photo.
(function () {
  "use strict";
  var folds = Array.prototype.slice.call(document.querySelectorAll("details[data-fold]"));
  if (!folds.length) return;
  // A tablet held upright, at least.
  var wide = matchMedia("(min-width: 48em)");
  var key = function (fold) { return location.pathname + "#" + fold.dataset.fold; };

  // A browser may keep nothing for a page: then it only forgets.
  function left(fold) {
    try { return sessionStorage.getItem(key(fold)); } catch (e) { return null; }
  }

  function keep(fold, state) {
    try { sessionStorage.setItem(key(fold), state); } catch (e) { return; }
  }

  function arrange() {
    folds.forEach(function (fold) {
      var state = left(fold);
      fold.open = state ? state === "open" : wide.matches;
    });
  }

  folds.forEach(function (fold) {
    fold.querySelector("summary").addEventListener("click", function () { keep(fold, fold.open ? "closed" : "open"); });
  });
  wide.addEventListener("change", arrange);
  addEventListener("beforeprint", function () { folds.forEach(function (fold) { fold.open = true; }); });
  addEventListener("afterprint", arrange);
  arrange();
})();
