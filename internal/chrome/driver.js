// The half of chrome.Page that runs in the page: it finds what a person means by a word, and says where to press.
// It changes nothing but scroll position, focus and selection, except for "set", which stands for the pickers that
// the browser draws outside the page (select, date, time, colour).
(verb, ...args) => {
  const squeeze = (s) => (s ?? '').replace(/\s+/g, ' ').trim();
  const visible = (el) => {
    if (!el.isConnected || !el.checkVisibility({ visibilityProperty: true })) return false;
    const r = el.getBoundingClientRect();
    return r.width > 1 && r.height > 1;
  };
  const byIds = (ids) => squeeze((ids ?? '').split(/\s+/).map((id) => document.getElementById(id)?.textContent ?? '').join(' '));
  const select = (css) => {
    try { return [...document.querySelectorAll(css)]; } catch { return []; }
  };
  const describe = (el) => {
    if (!el) return 'nothing';
    const name = el.getAttribute('name') ?? el.id;
    return `<${el.localName}${name ? ' ' + name : ''}> ${squeeze(el.innerText).slice(0, 60)}`.trim();
  };

  // What an element to press is called: any of these.
  const names = (el) => [
    el.getAttribute('aria-label'), byIds(el.getAttribute('aria-labelledby')), el.innerText,
    el.localName === 'input' ? el.value : '', el.querySelector('img[alt]')?.alt, el.title,
  ].map(squeeze).filter(Boolean);
  const pressable = 'a[href], button, input[type=submit], input[type=button], input[type=reset], input[type=image],' +
    'summary, [role=button], [role=link], [role=tab], [role=menuitem], [role=switch]';
  const submitting = 'button:not([type=button]):not([type=reset]), input[type=submit], input[type=image]';

  // Exact words first, then a CSS selector, then words contained; within each, things made to be pressed before
  // labels, and the first on the page.
  const findPressable = (what, forms) => {
    const want = squeeze(what);
    const pools = (forms ? [submitting] : [pressable, 'label']).map((css) => select(css).filter(visible));
    for (const pool of pools) {
      const el = pool.find((e) => names(e).includes(want));
      if (el) return el;
    }
    const el = select(what).filter(visible)[0];
    if (el && (!forms || el.matches(submitting))) return el;
    for (const fold of [(s) => s, (s) => s.toLowerCase()]) {
      for (const pool of pools) {
        const part = pool.find((e) => names(e).some((n) => fold(n).includes(fold(want))));
        if (part) return part;
      }
    }
    return null;
  };

  const labelsOf = (el) => [
    ...[...(el.labels ?? [])].map((l) => l.innerText),
    el.getAttribute('aria-label'), byIds(el.getAttribute('aria-labelledby')), el.getAttribute('placeholder'),
  ].map(squeeze).filter(Boolean);
  // A field by its name, its id, its label (exact, beginning, contained), or a CSS selector.
  const findField = (what, among) => {
    const pool = select(among);
    const want = squeeze(what);
    const tests = [
      (e) => e.name === what, (e) => e.id === what,
      (e) => labelsOf(e).includes(want), (e) => labelsOf(e).some((l) => l.startsWith(want)),
      (e) => labelsOf(e).some((l) => l.includes(want)),
      (e) => { try { return e.matches(what); } catch { return false; } },
    ];
    for (const test of tests) {
      const hits = pool.filter(test);
      if (hits.length) return hits.find(visible) ?? hits[0];
    }
    return null;
  };
  const typed = 'input:not([type=hidden], [type=submit], [type=button], [type=reset], [type=image], [type=radio],' +
    '[type=checkbox], [type=file]), textarea, [contenteditable=""], [contenteditable=true]';

  const point = (el) => {
    if (el.disabled || el.matches('fieldset[disabled] *')) return { trouble: `${describe(el)} is disabled` };
    el.scrollIntoView({ block: 'center', inline: 'center', behavior: 'instant' });
    const r = [...el.getClientRects()].find((b) => b.width > 1 && b.height > 1) ?? el.getBoundingClientRect();
    const x = r.left + r.width / 2, y = r.top + r.height / 2;
    const hit = document.elementFromPoint(x, y);
    if (hit && (el.contains(hit) || hit.closest('label')?.control === el)) return { x, y };
    return { trouble: `${describe(el)} is covered by ${describe(hit)}` };
  };
  const open = (el) => {
    if (el.disabled || el.matches('fieldset[disabled] *')) return `${describe(el)} is disabled`;
    if (el.readOnly) return `${describe(el)} is read-only`;
    if (!visible(el)) return `${describe(el)} is not visible`;
    return '';
  };
  const valueOf = (el) => el.isContentEditable ? el.innerText : el.value;
  const set = (el, value) => {
    // The prototype's setter: a script that overrides the element's own must not notice.
    const own = Object.getOwnPropertyDescriptor(Object.getPrototypeOf(el), 'value');
    own.set.call(el, value);
    el.dispatchEvent(new Event('input', { bubbles: true }));
    el.dispatchEvent(new Event('change', { bubbles: true }));
  };
  const options = (name, value) => {
    const all = select('input[type=radio], input[type=checkbox]');
    const named = all.filter((e) => e.name === name);
    const pool = named.length ? named : all.filter((e) => labelsOf(e).some((l) => l === name));
    const want = squeeze(value);
    return {
      pool,
      el: pool.find((e) => e.value === value) ?? pool.find((e) => labelsOf(e).includes(want)) ??
        pool.find((e) => labelsOf(e).some((l) => l.startsWith(want))) ?? pool.find((e) => labelsOf(e).some((l) => l.includes(want))),
    };
  };
  const onOff = (pool, value) => pool.length === 1 && pool[0].type === 'checkbox' && ['on', 'off'].includes(value);

  switch (verb) {
    case 'press': {
      const el = findPressable(args[0], args[1]);
      return el ? point(el) : { trouble: 'nothing here is called that' };
    }
    case 'focus': { // → {trouble} or {set: true} done, or {} focused with everything selected
      const [what, value] = args;
      const el = findField(what, typed + ', select');
      if (!el) return { trouble: 'no field has that name or label' };
      const shut = open(el);
      if (shut) return { trouble: shut };
      if (el.localName === 'select') return { trouble: `${describe(el)} is a list: use Choose` };
      el.scrollIntoView({ block: 'center', behavior: 'instant' });
      el.focus();
      if (['date', 'time', 'datetime-local', 'month', 'week', 'color', 'range', 'number'].includes(el.type)) {
        set(el, value);
        return { set: true };
      }
      if (el.isContentEditable) getSelection().selectAllChildren(el); else el.select();
      return { empty: valueOf(el) === '' };
    }
    case 'value': {
      const el = findField(args[0], typed + ', select');
      return el ? { value: valueOf(el) } : {};
    }
    case 'choose': { // → {trouble}, {done: true}, or where to press
      const [name, value] = args;
      const { pool, el: found } = options(name, value);
      if (pool.length) {
        const flag = onOff(pool, value);
        const el = flag ? pool[0] : found;
        if (!el) return { trouble: `no such choice; there are: ${pool.map((e) => labelsOf(e)[0] ?? e.value).join(' | ')}` };
        if (el.checked === !(flag && value === 'off')) return { done: true };
        const target = visible(el) && point(el).x !== undefined ? el : [...(el.labels ?? [])].find(visible);
        return target ? (el.disabled ? point(el) : point(target)) : { trouble: `${describe(el)} is not visible and has no visible label` };
      }
      const list = findField(name, 'select');
      if (!list) return { trouble: 'no choice or list has that name or label' };
      const shut = open(list);
      if (shut) return { trouble: shut };
      const all = [...list.options], want = squeeze(value);
      const option = all.find((o) => o.value === value) ?? all.find((o) => squeeze(o.text) === want) ??
        all.find((o) => squeeze(o.text).includes(want));
      if (!option) return { trouble: `no such choice; there are: ${all.map((o) => squeeze(o.text)).join(' | ')}` };
      if (option.disabled) return { trouble: `${describe(list)}: "${squeeze(option.text)}" is disabled` };
      list.scrollIntoView({ block: 'center', behavior: 'instant' });
      list.focus();
      if (list.multiple) {
        option.selected = true;
        list.dispatchEvent(new Event('input', { bubbles: true }));
        list.dispatchEvent(new Event('change', { bubbles: true }));
      } else if (list.selectedIndex !== option.index) {
        set(list, option.value);
        if (list.selectedIndex !== option.index) list.selectedIndex = option.index; // two options with one value
      }
      return { done: true };
    }
    case 'chosen': {
      const { pool, el } = options(args[0], args[1]);
      return onOff(pool, args[1]) ? pool[0].checked === (args[1] === 'on') : !!el?.checked;
    }
    case 'file': {
      return findField(args[0], 'input[type=file]');
    }
    case 'text': {
      const all = select(args[0]);
      const el = all.find(visible) ?? all[0];
      return el ? { found: true, text: squeeze(el.innerText ?? el.textContent) } : { found: false };
    }
    case 'all': {
      return document.body?.innerText ?? '';
    }
    case 'has': {
      return squeeze(document.body?.innerText).includes(squeeze(args[0]));
    }
    case 'invalid': { // fields that keep the browser from submitting, as a person is told
      return select('input, select, textarea').filter((e) => e.willValidate && !e.validity.valid)
        .map((e) => `${e.name || e.id}: ${e.validationMessage}`);
    }
    case 'width': {
      const root = document.scrollingElement;
      return { scroll: root.scrollWidth, window: innerWidth };
    }
  }
  throw new Error(`no verb ${verb}`);
}
