// What is wrong with the page that it is evaluated in: a list of sentences. `picturesMustLoad` is put before it.
(async () => {
  const wrong = [];
  const name = (e) => {
    const words = (e.textContent || "").trim().replace(/\s+/g, " ").slice(0, 40);
    const kind = e.className && e.className.baseVal === undefined ? "." + e.className : "";
    return `<${e.tagName.toLowerCase()}${kind}> "${words}"`;
  };
  const shown = (e) => e.checkVisibility() && e.getClientRects().length > 0;
  const all = [...document.body.querySelectorAll("*")].filter(shown);
  const scrolls = (e) => {
    for (let p = e.parentElement; p; p = p.parentElement) {
      if (["auto", "scroll"].includes(getComputedStyle(p).overflowX)) return true;
    }
    return false;
  };

  // On paper a drawing's letters may be as small as a footnote's: 9 px are 6.75 points.
  const smallest = matchMedia("print").matches ? 9 : 12;

  // Pictures.
  for (const img of document.images) {
    if (picturesMustLoad) {
      img.loading = "eager";
      await img.decode().catch(() => wrong.push(`the picture ${img.getAttribute("src")} does not load`));
      const letters = img.src.endsWith(".svg") ? 18 : 26;
      const size = (letters * img.clientWidth) / img.naturalWidth;
      if (img.naturalWidth && img.clientWidth && size < smallest) wrong.push(`letters of ${size.toFixed(1)} px in ${img.getAttribute("src")}`);
    }
    if ((img.alt || "").length < 20) wrong.push(`the picture ${img.getAttribute("src")} is not told in words: "${img.alt}"`);
  }
  for (const svg of document.querySelectorAll("svg[role=img]")) {
    if (!svg.getAttribute("aria-label")) wrong.push("a drawing without a name");
  }

  // Nothing sticks out, and nothing is cut off.
  const wide = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > wide) wrong.push(`the page is ${document.documentElement.scrollWidth} px wide in ${wide}`);
  for (const e of all) {
    if (e.closest("svg") && e.tagName !== "svg") continue;
    const box = e.getBoundingClientRect();
    if ((box.right > wide + 0.5 || box.left < -0.5) && !scrolls(e)) wrong.push(`${name(e)} sticks out: ${box.left.toFixed(0)} to ${box.right.toFixed(0)} of ${wide}`);
    const style = getComputedStyle(e);
    if (style.overflowX !== "visible" && style.overflowX !== "auto" && e.scrollWidth > e.clientWidth + 1) wrong.push(`${name(e)} is cut off`);
  }

  // Letters: size, and contrast by WCAG 2.1, 1.4.3, against whatever colour lies behind them.
  const rgba = (text) => {
    const n = text.match(/[\d.]+/g).map(Number);
    return [n[0], n[1], n[2], n.length > 3 ? n[3] : 1];
  };
  const over = (a, b) => [0, 1, 2].map((i) => a[3] * a[i] + (1 - a[3]) * b[i]).concat(1);
  const behind = (e) => {
    const layers = [];
    for (let p = e; p; p = p.parentElement) {
      const c = rgba(getComputedStyle(p).backgroundColor);
      layers.push(c);
      if (c[3] === 1) break;
    }
    return layers.reverse().reduce((under, c) => over(c, under), [255, 255, 255, 1]);
  };
  const luminance = (c) => {
    const v = c.slice(0, 3).map((x) => ((x /= 255) <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4));
    return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
  };
  for (const e of all) {
    const says = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    if (!says) continue;
    const style = getComputedStyle(e);
    const isDrawn = e.closest("svg");
    const scale = isDrawn ? e.getScreenCTM().a : 1;
    const size = parseFloat(style.fontSize) * scale;
    if (size < (isDrawn ? smallest : 12) - 0.01) wrong.push(`${name(e)} has letters of ${size.toFixed(1)} px`);
    const ground = behind(e);
    const ink = over(rgba(isDrawn ? style.fill : style.color), ground);
    const [a, b] = [luminance(ink), luminance(ground)];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const large = size >= 24 || (size >= 18.66 && parseInt(style.fontWeight) >= 700);
    if (ratio < (large ? 3 : 4.5)) wrong.push(`${name(e)} has a contrast of ${ratio.toFixed(2)}`);
  }

  // Structure that a screen reader goes by.
  if (!/^[a-z]{2}/.test(document.documentElement.lang)) wrong.push("no language");
  if (!document.title) wrong.push("no title");
  if (document.querySelectorAll("main").length !== 1) wrong.push("not one main part");
  if (!document.querySelector("meta[name=viewport]")) wrong.push("no viewport");
  let level = 0;
  for (const h of document.querySelectorAll("h1,h2,h3,h4")) {
    const now = Number(h.tagName[1]);
    if (now > level + 1) wrong.push(`${name(h)} skips a level`);
    level = now;
  }
  if (document.querySelectorAll("h1").length !== 1) wrong.push("not one h1");
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  if (new Set(ids).size !== ids.length) wrong.push("an id stands twice");
  for (const e of document.querySelectorAll("[aria-labelledby]")) {
    if (!document.getElementById(e.getAttribute("aria-labelledby"))) wrong.push(`${name(e)} is named by nothing`);
  }
  for (const a of document.querySelectorAll("a")) {
    const says = a.textContent.trim() || (a.querySelector("img") || {}).alt || a.getAttribute("aria-label");
    if (!says) wrong.push(`a link without a name to ${a.getAttribute("href")}`);
  }
  for (const list of document.querySelectorAll("ul,ol")) {
    if ([...list.children].some((c) => c.tagName !== "LI")) wrong.push(`${name(list)} holds more than items`);
  }
  for (const e of all) {
    if (getComputedStyle(e).overflowX === "auto" && e.scrollWidth > e.clientWidth && e.tabIndex < 0 && !e.querySelector("a")) wrong.push(`${name(e)} cannot be scrolled by keyboard`);
  }
  return wrong;
})()
