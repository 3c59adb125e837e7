// Reads what is on the screen: every visible text with its place, what cuts it, what it overlaps.
() => {
  const above = (node) => node.assignedSlot ?? node.parentNode ?? node.host ?? null;
  const element = (node) => (node instanceof ShadowRoot ? node.host : node);
  const isWithin = (node, outer) => {
    for (let one = node; one; one = above(one)) if (element(one) === outer) return true;
    return false;
  };
  const deepest = (x, y) => {
    let found = document.elementFromPoint(x, y);
    while (found?.shadowRoot) {
      const inner = found.shadowRoot.elementFromPoint(x, y);
      if (!inner || inner === found) break;
      found = inner;
    }
    return found;
  };
  const texts = [];
  const clippedBy = (parent, rects) => {
    // Climbs until something scrolls: what lies beyond that can be reached.
    for (let node = parent; node && node !== document; node = above(node)) {
      if (!(node instanceof Element)) continue;
      const style = getComputedStyle(node);
      if (style.display === "contents" || style.display === "inline") continue;
      const box = node.getBoundingClientRect();
      const scrollsX = /auto|scroll/.test(style.overflowX);
      const scrollsY = /auto|scroll/.test(style.overflowY);
      const hidesX = /hidden|clip/.test(style.overflowX);
      const hidesY = /hidden|clip/.test(style.overflowY);
      const seen = rects.filter((r) => r.right > box.left && r.left < box.right && r.bottom > box.top && r.top < box.bottom);
      if ((hidesX || hidesY) && !seen.length) return "hidden";
      if (hidesX && seen.some((r) => r.right > box.right + 1.5 || r.left < box.left - 1.5))
        return `cut by ${node.localName} (${Math.round(box.width)} px wide)`;
      if (hidesY && (seen.length < rects.length || seen.some((r) => r.bottom > box.bottom + 3 || r.top < box.top - 3)))
        return `cut by ${node.localName} (${Math.round(box.height)} px high)`;
      if (scrollsX && scrollsY) return null;
      if (scrollsY && !hidesX) return null;
      if (style.position === "fixed") return null;
    }
    return null;
  };
  const visit = (node) => {
    if (node.nodeType === Node.TEXT_NODE) {
      const text = node.data.replace(/\s+/g, " ").trim();
      const parent = node.parentElement ?? node.parentNode?.host;
      if (!text || !parent || /^(style|script|title)$/.test(parent.localName)) return;
      if (!parent.checkVisibility({ opacityProperty: true, visibilityProperty: true })) return;
      const range = document.createRange();
      range.selectNodeContents(node);
      const rects = [...range.getClientRects()].filter((r) => r.width > 2 && r.height > 4);
      if (!rects.length) return;
      const cut = clippedBy(parent, rects);
      if (cut === "hidden") return;
      const right = Math.max(...rects.map((r) => r.right));
      const box = range.getBoundingClientRect();
      const isOnScreen = box.bottom > 0 && box.top < innerHeight;
      const outside = isOnScreen && right > innerWidth + 1 && !cut ? `${Math.round(right - innerWidth)} px beyond the edge` : null;
      texts.push({ text, cut, outside, rects, parent, isOnScreen });
      return;
    }
    if (node.nodeType === Node.ELEMENT_NODE && node.shadowRoot) node.shadowRoot.childNodes.forEach(visit);
    if (node instanceof HTMLSlotElement && node.assignedNodes().length) return;
    node.childNodes.forEach(visit);
  };
  visit(document.body);
  // With a dialog open only what is in it counts; what a text lies on, or under, is then a text.
  const dialogs = [];
  const findDialogs = (root) => {
    for (const node of root.querySelectorAll("*")) {
      if (node.localName === "dialog" && node.open) dialogs.push(node);
      if (node.shadowRoot) findDialogs(node.shadowRoot);
    }
  };
  findDialogs(document);
  const front = dialogs.at(-1);
  const parents = new Set(texts.map(({ parent }) => parent));
  const onTop = texts.filter(({ rects, parent, isOnScreen, cut }) => {
    if (!isOnScreen || cut || (front && !isWithin(parent, front))) return false;
    const r = rects[0];
    const hit = deepest(r.left + r.width / 2, r.top + r.height / 2);
    return hit && (isWithin(hit, parent) || isWithin(parent, hit) || parents.has(hit));
  });
  const overlaps = [];
  onTop.forEach((one, i) => {
    for (const other of onTop.slice(i + 1)) {
      for (const a of one.rects)
        for (const b of other.rects) {
          const width = Math.min(a.right, b.right) - Math.max(a.left, b.left);
          const height = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
          const least = Math.min(a.width * a.height, b.width * b.height);
          if (width > 3 && height > 5 && width * height > 0.15 * least) {
            overlaps.push([one.text, other.text]);
            return;
          }
        }
    }
  });
  const scrollers = [];
  const boxes = { dialog: null, alert: null };
  const plain = ({ left: x, top: y, width, height }) => ({ x, y, width, height });
  const visitBoxes = (root) => {
    for (const node of root.querySelectorAll("*")) {
      if (node.localName === "dialog" && node.open) boxes.dialog = plain(node.getBoundingClientRect());
      if (node.localName === "ha-alert" && node.alertType === "error" && node.checkVisibility())
        boxes.alert = plain(node.getBoundingClientRect());
      if (node.shadowRoot) visitBoxes(node.shadowRoot);
      const more = node.scrollHeight - node.clientHeight;
      if (more > 4 && node.clientHeight > 150 && /auto|scroll/.test(getComputedStyle(node).overflowY) && node.checkVisibility())
        scrollers.push(more);
    }
  };
  visitBoxes(document);
  const rest = document.documentElement.scrollHeight - innerHeight;
  return {
    texts: texts.map(({ text, cut, outside }) => ({ text, cut, outside })),
    overlaps,
    ...boxes,
    more: Math.max(0, rest, ...scrollers),
  };
}
