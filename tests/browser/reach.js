// Looks at a page as it stands for what keeps people from reading or using it; a line for each thing found.
(what) => {
  const shown = (one) => one.checkVisibility({ visibilityProperty: true }) && one.getClientRects().length > 0;
  const kind = (one) => (one.className.baseVal ?? one.className).trim().replace(/\s+/g, ".");
  const name = (one) => `${one.tagName.toLowerCase()}#${one.id}.${kind(one)} “${(one.textContent || "").trim().slice(0, 40)}”`;
  const all = (which) => [...document.querySelectorAll(which)].filter(shown);

  // --- contrast: WCAG 2.2, definitions of "relative luminance" and "contrast ratio" ---

  const parts = (colour) => {
    const [red, green, blue, alpha = 1] = colour.match(/[\d.]+/g).map(Number);
    return [red, green, blue, alpha];
  };
  const over = (top, below) => [0, 1, 2].map((n) => top[n] * top[3] + below[n] * (1 - top[3]));
  const luminance = (colour) => {
    const [red, green, blue] = colour.slice(0, 3).map((byte) => byte / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
  };
  const ratio = (one, other) => {
    const [dark, bright] = [luminance(one), luminance(other)].sort((a, b) => a - b);
    return (bright + 0.05) / (dark + 0.05);
  };
  const ancestors = (one) => (one ? [one, ...ancestors(one.parentElement)] : []);
  const behind = (one) => {
    const layers = ancestors(one).map((each) => parts(getComputedStyle(each).backgroundColor));
    return layers.reverse().reduce((below, layer) => over(layer, below), [255, 255, 255]);
  };

  function contrast() {
    const found = new Set();
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) {
      const one = texts.currentNode.parentElement;
      if (!texts.currentNode.data.trim() || !shown(one) || one.closest("script, style, title, desc, :disabled")) continue;
      const style = getComputedStyle(one);
      const below = behind(one);
      const colour = parts(one instanceof SVGElement ? style.fill : style.color);
      colour[3] *= ancestors(one).reduce((opacity, each) => opacity * getComputedStyle(each).opacity, 1);
      const size = parseFloat(style.fontSize);
      const large = !(one instanceof SVGElement) && (size >= 24 || (size >= 18.66 && style.fontWeight >= 700));
      const is = ratio(over(colour, below), below);
      if (is < (large ? 3 : 4.5)) found.add(`${name(one)} ${is.toFixed(2)}`);
    }
    return [...found];
  }

  // --- targets of a thumb ---

  const words = (one) => [...one.childNodes].filter((each) => each.nodeType === Node.TEXT_NODE).map((each) => each.data).join("");
  const inSentence = (one) => one.matches("a:not(.button, .badge)") && /[\p{L}\p{N}]/u.test(words(one.parentElement));

  function targets() {
    const controls = all("a, button, summary, select, textarea, label.choice, input:not([type=hidden], .choice input)");
    return controls.filter((one) => !inSentence(one) && getComputedStyle(one).opacity !== "0" && !one.closest("td, .guide") && !one.matches(".skip")).flatMap((one) => {
      const { width, height } = one.getBoundingClientRect();
      return height < 43.5 || width < 43.5 ? [`${name(one)} ${Math.round(width)}×${Math.round(height)}`] : [];
    });
  }

  // --- the rest ---

  const wide = () => {
    const { scrollWidth, clientWidth } = document.documentElement;
    return scrollWidth > clientWidth ? [`${scrollWidth} > ${clientWidth}`] : [];
  };
  const named = (one) => one.closest("[aria-hidden=true]") || (one.tagName === "IMG" ? one.hasAttribute("alt") : one.matches("[role=img]:is([aria-label], [aria-labelledby])"));
  const names = () => all("img, svg").filter((one) => !named(one)).map(name);
  const headings = () => {
    const found = all("h1, h2, h3, h4, h5, h6");
    const levels = [0, ...found.map((one) => Number(one.tagName[1]))];
    const gaps = found.filter((one, n) => levels[n + 1] > levels[n] + 1).map(name);
    return levels.filter((level) => level === 1).length === 1 ? gaps : [...gaps, "not one h1"];
  };
  function focus() {
    const one = document.activeElement;
    // Of what is not seen itself, what stands for it.
    const seen = getComputedStyle(one).opacity === "0" ? document.querySelector(`label[for="${one.id}"]`) : one;
    const { outlineStyle, outlineWidth } = getComputedStyle(seen);
    const box = seen.getBoundingClientRect();
    const corners = [[0.5, 0.5], [0.1, 0.5], [0.9, 0.5], [0.5, 0.1], [0.5, 0.9]].map(([x, y]) => document.elementFromPoint(box.x + x * box.width, box.y + y * box.height));
    const free = corners.some((each) => each && (seen.contains(each) || each.contains(seen)));
    return [...(outlineStyle === "none" || parseFloat(outlineWidth) < 2 ? [`no line around ${name(one)}`] : []), ...(free ? [] : [`something lies over ${name(one)}`])];
  }
  return { contrast, targets, wide, names, headings, focus }[what]();
}
