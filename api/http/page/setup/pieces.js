// The site's pieces: a list, and uploads by the tus protocol 1.0.0, which go on where they were cut off.

const PART_BYTES = 8 << 20; // of a file that is sent at a time
const WAITS_S = [1, 2, 4, 8, 15, 30]; // before an upload goes on after its connection was cut
const SOUNDS = /\.(wav|flac|ogg|oga|opus|mp3)$/i;
const FRAMES = /\.frames$/i;
const PICTURES = /\.(gif|png|jpe?g|webp|bmp|tiff?|mp4|mkv|mov|avi|webm|m4v|mpe?g|ts|wmv)$/i;
const transfers = new Map(); // the files that this page sends, by the id of their upload; they go on in other sections
const forms = new Map(); // the form of each whole upload, so that what was typed stays

let page, place, found = null, timer = 0, shown = "";

export async function open(where, shared) {
  [page, place, shown] = [shared, where, ""];
  place.replaceChildren(dropArea(), list("uploads"), page.element("h3", "Pieces"), list("pieces"), list("deleted"));
  await refresh();
}

export function close() {
  clearTimeout(timer);
  place = null;
}

const list = (name) => page.element("ul", "", { className: `list ${name}` });
const button = (text, onclick, label = "") => page.element("button", text, label ? { onclick, ariaLabel: label } : { onclick });
const api = (name) => `/api/setup/pieces/${encodeURIComponent(name)}`;
const size = (bytes) => (bytes >= 1e9 ? `${(bytes / 1e9).toFixed(1)} GB` : bytes >= 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1e3)} kB`);

async function refresh() {
  clearTimeout(timer);
  try {
    found = await page.ask("GET", "/api/setup/pieces");
  } finally {
    const busy = found && found.imports.some((each) => ["waiting", "running"].includes(each.state));
    if (place) timer = setTimeout(() => refresh().catch(() => {}), busy ? 1000 : 5000);
  }
  if (place) show();
}

function show() {
  showUploads();
  const text = JSON.stringify([found.pieces, found.deleted]);
  if (text === shown) return; // a button that is about to be pressed stays
  shown = text;
  place.querySelector(".pieces").replaceChildren(...found.pieces.map(pieceRow));
  if (!found.pieces.length) place.querySelector(".pieces").append(page.element("li", "There is no piece yet."));
  place.querySelector(".deleted").replaceChildren(...found.deleted.map(deletedRow));
}

// ---- the list

function pieceRow(piece) {
  const row = page.element("li", "", { className: "piece" });
  const picture = page.element("img", "", { src: `${api(piece.name)}/picture?${piece.size_bytes}`, alt: "", width: 160, loading: "lazy" });
  picture.onerror = () => { picture.style.visibility = "hidden"; };
  const text = page.element("div");
  text.append(page.element("h4", piece.name));
  const facts = [
    piece.length_s === null ? "" : page.duration(piece.length_s),
    piece.fps ? `${piece.fps} frames a second` : "",
    piece.universes ? `universe${/[-,]/.test(piece.universes) ? "s" : ""} ${piece.universes}` : "",
    piece.sound ? (piece.lufs === null ? "with sound" : `sound of ${piece.lufs.toFixed(1)} LUFS`) : "",
    size(piece.size_bytes),
  ].filter(Boolean);
  text.append(page.element("p", facts.join(", "), { className: "small" }));
  const next = piece.next_at ? `Plays next: ${page.when(piece.next_at)}.` : piece.shows.length ? "Does not play in the next 60 days." : "Is in no running order yet.";
  text.append(page.element("p", next, { className: "small" }));
  for (const each of piece.findings) {
    const hint = each.hint ? ` ${page.sentence(each.hint)}` : "";
    text.append(page.element("p", page.sentence(page.localTimes(each.text)) + hint, { className: each.severity === "fact" ? "small" : "bad" }));
  }
  row.append(picture, text, button("Delete", () => change(`Deleting ${piece.name}`, "DELETE", api(piece.name), `${piece.name} is deleted. Undo is possible for a day.`), `Delete ${piece.name}`));
  return row;
}

function deletedRow(piece) {
  const row = page.element("li");
  row.append(page.element("p", `${piece.name} was deleted. Its files are kept until ${page.when(piece.until)}.`));
  row.append(button("Undo", () => change(`Restoring ${piece.name}`, "POST", `${api(piece.name)}/restore`, `${piece.name} is back.`), `Undo: restore ${piece.name}`));
  return row;
}

function change(doing, method, path, done) {
  return page.command(doing, async () => {
    found = await page.ask(method, path);
    if (place) show();
    return done;
  });
}

// ---- uploads

function dropArea() {
  const area = page.element("div", "", { className: "drop" });
  const input = page.element("input", "", { type: "file", multiple: true, id: "files" });
  input.onchange = () => { send(input.files); input.value = ""; };
  area.append(page.element("label", "Upload files: frame files, arrays, GIFs, videos, sound", { htmlFor: "files" }), input);
  area.append(page.element("p", "Or drop them here. An upload that is cut off goes on by itself; after a reload, choose the same file again.", { className: "small" }));
  area.ondragover = (event) => { event.preventDefault(); area.classList.add("over"); };
  area.ondragleave = () => area.classList.remove("over");
  area.ondrop = (event) => {
    event.preventDefault();
    area.classList.remove("over");
    send(event.dataTransfer.files);
  };
  return area;
}

function send(files) {
  for (const file of files) {
    page.command(`Beginning ${file.name}`, async () => {
      found = await page.ask("GET", "/api/setup/pieces");
      const before = found.uploads.find((each) => each.file === file.name && each.length === file.size && each.offset < each.length && !transfers.has(each.id));
      const id = before ? before.id : await begin(file);
      const one = { id, file, offset: before ? before.offset : 0, state: "", ended: false, request: null, began: performance.now(), from: before ? before.offset : 0 };
      transfers.set(id, one);
      carry(one);
      await refresh();
      return before ? `${file.name} goes on at ${Math.floor(100 * before.offset / file.size)} %.` : "";
    });
  }
}

// tus, Creation. The file's name is in base64 of UTF-8.
async function begin(file) {
  const name = btoa(String.fromCharCode(...new TextEncoder().encode(file.name)));
  const answer = await fetch("/api/setup/uploads", {
    method: "POST",
    headers: { "Tus-Resumable": "1.0.0", "Upload-Length": file.size, "Upload-Metadata": `filename ${name}` },
  });
  if (answer.ok) return answer.headers.get("Location").split("/").pop();
  throw Object.assign(new Error((await answer.json()).detail), { refused: answer.status });
}

// Sends a file to its end. After a cut: HEAD, and on from there.
async function carry(one) {
  let tries = 0;
  while (!one.ended && one.offset < one.file.size) {
    const before = one.offset;
    try {
      const { status, offset } = await patch(one);
      if (status === 204) {
        [one.offset, one.state, tries] = [offset, "", 0];
        continue;
      }
      if (![0, 408, 409, 423, 429, 500, 503].includes(status)) {
        one.state = status === 507 ? "The board's disk is full." : `The board refuses it (${status}).`;
        one.ended = true;
        break;
      }
    } catch { /* the connection was cut */ }
    for (;;) {
      if (one.ended) return;
      const wait = WAITS_S[Math.min(tries, WAITS_S.length - 1)];
      tries += 1;
      one.state = `No contact. Tried again in ${wait} s.`;
      showUploads();
      await new Promise((resolve) => { setTimeout(resolve, wait * 1000); });
      const answer = await fetch(`/api/setup/uploads/${one.id}`, { method: "HEAD", headers: { "Tus-Resumable": "1.0.0" } }).catch(() => null);
      if (answer && answer.ok) {
        one.offset = Number(answer.headers.get("Upload-Offset"));
        if (one.offset > before) tries = 0;
        break;
      }
      if (answer && answer.status === 404) {
        one.state = "The board has it no longer. Choose the file again.";
        one.ended = true;
        return;
      }
    }
  }
  transfers.delete(one.id);
  if (one.ended) transfers.set(one.id, one);
  if (place) await refresh().catch(() => {});
}

// tus, PATCH: one part. XMLHttpRequest, because fetch does not say how far a request is.
function patch(one) {
  return new Promise((resolve) => {
    const request = one.request = new XMLHttpRequest();
    request.open("PATCH", `/api/setup/uploads/${one.id}`);
    request.setRequestHeader("Tus-Resumable", "1.0.0");
    request.setRequestHeader("Upload-Offset", one.offset);
    request.setRequestHeader("Content-Type", "application/offset+octet-stream");
    request.upload.onprogress = (event) => { one.sent = event.loaded; showProgress(one); };
    request.onloadend = () => {
      one.sent = 0;
      resolve({ status: request.status, offset: Number(request.getResponseHeader("Upload-Offset")) });
    };
    request.send(one.file.slice(one.offset, one.offset + PART_BYTES));
  });
}

function progressText(one) {
  if (one.state) return one.state;
  const done = one.offset + (one.sent || 0);
  const passed = (performance.now() - one.began) / 1000;
  const left = done > one.from ? (one.file.size - done) * passed / (done - one.from) : null;
  return `${size(done)} of ${size(one.file.size)}${left === null ? "" : `, ${page.duration(left)} left`}`;
}

function showProgress(one) {
  const row = place && place.querySelector(`[data-upload="${one.id}"]`);
  const bar = row && row.querySelector("progress");
  if (!bar) return;
  bar.value = one.offset + (one.sent || 0);
  row.querySelector("p").textContent = progressText(one);
}

async function remove(id) {
  const one = transfers.get(id);
  if (one) {
    one.ended = true;
    if (one.request) one.request.abort();
    transfers.delete(id);
  }
  forms.delete(id);
  await page.command("Removing the upload", async () => {
    for (let tries = 0; ; tries += 1) {
      const answer = await fetch(`/api/setup/uploads/${id}`, { method: "DELETE", headers: { "Tus-Resumable": "1.0.0" } });
      if (answer.status === 423 && tries < 8) { // the board still writes what it had
        await new Promise((resolve) => { setTimeout(resolve, 500); });
        continue;
      }
      if (answer.ok || answer.status === 404) break;
      throw Object.assign(new Error((await answer.json()).detail), { refused: answer.status });
    }
    await refresh();
    return "The upload is removed.";
  });
}

function showUploads() {
  if (!place || !found) return;
  const rows = found.uploads.map((upload) => {
    const job = found.imports.find((each) => each.upload === upload.id);
    const one = transfers.get(upload.id);
    const kind = job && job.state !== "refused" ? `import ${job.state}` : upload.offset < upload.length ? (one ? "sending" : "left") : `form ${job ? job.problem : ""}`;
    const old = place.querySelector(`[data-upload="${upload.id}"]`);
    if (old && old.dataset.kind === kind && !kind.startsWith("import")) {
      if (one) showProgress(one);
      return old;
    }
    const row = uploadRow(upload, one, job);
    row.dataset.upload = upload.id;
    row.dataset.kind = kind;
    return row;
  });
  for (const job of found.imports.filter((each) => each.state === "made")) {
    rows.push(page.element("li", [`${job.file} is taken as ${job.name}.`, ...job.notes].join(" ")));
  }
  const where = place.querySelector(".uploads");
  if (rows.length !== where.children.length || rows.some((row, index) => row !== where.children[index])) where.replaceChildren(...rows);
}

function uploadRow(upload, one, job) {
  const row = page.element("li");
  row.append(page.element("h3", upload.file));
  if (job && job.state !== "refused") {
    const part = job.of ? `, frame ${job.done} of ${job.of}` : "";
    row.append(page.element("p", job.state === "waiting" ? "Waits for another import." : `Is checked and imported as ${job.name}${part}.`));
    if (job.of) row.append(page.element("progress", "", { value: job.done, max: job.of, ariaLabel: `import of ${upload.file}` }));
    return row;
  }
  if (upload.offset < upload.length) {
    row.append(page.element("p", one ? progressText(one) : `${Math.floor(100 * upload.offset / upload.length)} % of it is on the board. Choose the same file again to go on.`));
    if (one) row.append(page.element("progress", "", { value: one.offset, max: upload.length, ariaLabel: `upload of ${upload.file}` }));
  } else {
    if (job) row.append(page.element("p", `${job.problem}.`, { className: "bad" }));
    if (!forms.has(upload.id)) forms.set(upload.id, takeForm(upload));
    row.append(forms.get(upload.id));
  }
  row.append(button("Remove", () => remove(upload.id), `Remove the upload of ${upload.file}`));
  return row;
}

// ---- from an upload to a piece

function field(label, key, more = {}) {
  const line = page.element("p");
  const id = `${key}-${Math.random().toString(36).slice(2)}`;
  line.append(page.element("label", label, { htmlFor: id }), page.element("input", "", { id, name: key, autocomplete: "off", ...more }));
  return line;
}

function takeForm(upload) {
  const form = page.element("form");
  const stem = upload.file.replace(/\.[^.]*$/, "").slice(0, 60);
  const sound = SOUNDS.test(upload.file);
  form.append(field(sound ? "It is the sound of the piece" : "Name of the piece", "name", { value: stem, required: true, maxLength: 60 }));
  if (!sound && !FRAMES.test(upload.file)) {
    const more = page.element("details");
    more.append(page.element("summary", "How it is imported"));
    more.append(field("Frames a second (without it: those of a video, 40 for all else)", "fps", { inputMode: "decimal" }));
    if (PICTURES.test(upload.file)) {
      more.append(field("Width and height of a matrix, as 64x32 (without it: the strings where they hang)", "matrix"));
      more.append(field("Order of the matrix's colours", "order", { placeholder: "RGB", maxLength: 4 }));
    }
    more.append(field("First universe (without it: as the rig has them)", "universes"));
    form.append(more);
  }
  const take = page.element("button", "Take it", { className: "big" });
  const named = () => {
    const piece = found.pieces.find((each) => each.name === form.elements.name.value.trim());
    take.textContent = !piece ? (sound ? "Take it as a sound" : "Take it as a new piece") : sound && !piece.sound ? `Give ${piece.name} this sound` : `Replace ${sound ? "the sound" : "the frames"} of ${piece.name}`;
    return Boolean(piece && (!sound || piece.sound));
  };
  form.oninput = named;
  form.append(take);
  named();
  form.onsubmit = (event) => {
    event.preventDefault();
    const asked = { upload: upload.id, replace: named() };
    for (const input of form.querySelectorAll("input")) if (input.value.trim()) asked[input.name] = input.value.trim();
    page.command(`Taking ${upload.file}`, async () => {
      await page.ask("POST", "/api/setup/pieces", asked);
      await refresh();
      return "";
    });
  };
  return form;
}
