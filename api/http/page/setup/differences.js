// The differences of two texts, line by line.

const CONTEXT = 2; // lines that stay, shown around each difference

// The lines of both texts in order, each as [mark, line]: " " in both, "-" only in the first, "+" only in the second.
// Myers, An O(ND) Difference Algorithm (1986).
export function compare(first, second) {
  const one = first.split("\n");
  const two = second.split("\n");
  let start = 0;
  while (start < one.length && start < two.length && one[start] === two[start]) start += 1;
  let end = 0;
  while (end < one.length - start && end < two.length - start && one[one.length - 1 - end] === two[two.length - 1 - end]) end += 1;
  const same = (line) => [" ", line];
  const middle = shortest(one.slice(start, one.length - end), two.slice(start, two.length - end));
  return [...one.slice(0, start).map(same), ...middle, ...one.slice(one.length - end).map(same)];
}

function shortest(one, two) {
  const steps = [];
  const reached = new Map([[1, 0]]); // the furthest line of `one` on each diagonal
  const whole = one.map((line) => ["-", line]).concat(two.map((line) => ["+", line]));
  for (let edits = 0; edits <= one.length + two.length; edits += 1) {
    if (edits > 1000) return whole; // texts that have little in common
    steps.push(new Map(reached));
    for (let diagonal = -edits; diagonal <= edits; diagonal += 2) {
      const down = diagonal === -edits || (diagonal !== edits && reached.get(diagonal - 1) < reached.get(diagonal + 1));
      let x = down ? reached.get(diagonal + 1) : reached.get(diagonal - 1) + 1;
      while (x < one.length && x - diagonal < two.length && one[x] === two[x - diagonal]) x += 1;
      reached.set(diagonal, x);
      if (x >= one.length && x - diagonal >= two.length) return walkBack(steps, one, two);
    }
  }
  return whole;
}

function walkBack(steps, one, two) {
  const found = [];
  let [x, y] = [one.length, two.length];
  for (let edits = steps.length - 1; edits >= 0; edits -= 1) {
    const reached = steps[edits];
    const diagonal = x - y;
    const down = diagonal === -edits || (diagonal !== edits && reached.get(diagonal - 1) < reached.get(diagonal + 1));
    const before = down ? diagonal + 1 : diagonal - 1;
    const from = reached.get(before);
    while (x > Math.max(0, from) && y > Math.max(0, from - before)) { x -= 1; y -= 1; found.push([" ", one[x]]); }
    if (edits > 0) found.push(down ? ["+", two[y - 1]] : ["-", one[x - 1]]);
    [x, y] = [from, from - before];
  }
  return found.reverse();
}

// What differs from a base: [first line, line after the last, the lines instead].
function hunks(base, other) {
  const found = [];
  let at = 0;
  let hunk = null;
  for (const [mark, line] of compare(base, other)) {
    if (mark === " ") hunk = null;
    else if (!hunk) found.push(hunk = [at, at, []]);
    if (mark === "+") hunk[2].push(line);
    else at += 1;
    if (mark === "-") hunk[1] = at;
  }
  return found;
}

// One text with the changes that two people made in a base. Null where both changed the same lines, or added some in
// the same place.
export function merge(base, one, other) {
  const mine = hunks(base, one);
  const known = new Set(mine.map((hunk) => JSON.stringify(hunk)));
  const all = [...mine, ...hunks(base, other).filter((hunk) => !known.has(JSON.stringify(hunk)))].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  if (all.some(([start, end], index) => all[index + 1] && (all[index + 1][0] < end || all[index + 1][0] === start))) return null;
  const lines = base.split("\n");
  for (const [start, end, instead] of all.reverse()) lines.splice(start, end - start, ...instead);
  return lines.join("\n");
}

// The differences of files as elements: a heading for each file that differs, and its lines with their numbers.
export function differences(page, first, second, names = ["before", "now"]) {
  const made = page.element("div");
  for (const file of Object.keys(second)) {
    if (first[file] === second[file]) continue;
    made.append(page.element("h4", file), lines(page, compare(first[file] || "", second[file] || ""), names));
  }
  if (!made.children.length) made.append(page.element("p", "Both are the same, line by line."));
  return made;
}

function lines(page, compared, [first, second]) {
  const made = page.element("div", "", { className: "differences", tabIndex: 0 });
  made.setAttribute("role", "group");
  made.setAttribute("aria-label", `Lines only in ${first} have a minus, lines only in ${second} a plus`);
  const near = compared.map(() => false);
  compared.forEach(([mark], index) => { if (mark !== " ") near.fill(true, Math.max(0, index - CONTEXT), index + CONTEXT + 1); });
  const numbers = { "-": 0, "+": 0 };
  compared.forEach(([mark, line], index) => {
    if (mark !== "+") numbers["-"] += 1;
    if (mark !== "-") numbers["+"] += 1;
    if (!near[index]) {
      if (near[index - 1]) made.append(page.element("hr"));
      return;
    }
    const tag = { " ": "div", "-": "del", "+": "ins" }[mark];
    made.append(page.element(tag, `${String(numbers[mark === "-" ? "-" : "+"]).padStart(5)} ${mark} ${line}`));
  });
  return made;
}
