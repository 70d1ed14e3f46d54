// A text that is not saved, kept in this tab alone: the files may hold secrets, so they do not stay in the browser.

const NAME = "gloaming-site-text";

// Keeps the files that differ from those that are saved, and what they were; of no files, nothing. False without room.
export function keepDraft(saved, files) {
  const changed = (from) => Object.fromEntries(Object.entries(from).filter(([name]) => files[name] !== saved.files[name]));
  try {
    if (files) sessionStorage.setItem(NAME, JSON.stringify({ version: saved.version, files: changed(files), before: changed(saved.files) }));
    else sessionStorage.removeItem(NAME);
    return true;
  } catch {
    return false;
  }
}

export const findDraft = () => JSON.parse(sessionStorage.getItem(NAME) || "null");
