// The numbers of a chart as a table, for who cannot see it or wants to read them off.

import { lowest } from "./store.js";

const ROWS = 40;

/**
 * Columns of a span put together into at most so many rows.
 * @returns {{from: number, to: number, low: number | null, mean: number | null, high: number | null}[]}
 */
export function rowsOf(columns, from, to, most = ROWS) {
  const [first, last] = [lowest(columns.x, from), lowest(columns.x, to)];
  const each = Math.max(1, Math.ceil((last - first) / most));
  const rows = [];
  for (let i = first; i < last; i += each) {
    const end = Math.min(last, i + each);
    const row = { from: columns.x[i] - columns.steps[i] / 2, to: columns.x[end - 1] + columns.steps[end - 1] / 2, low: null, mean: null, high: null };
    let [sum, n] = [0, 0];
    for (let k = i; k < end; k += 1) {
      if (columns.mean[k] === null) continue;
      row.low = row.low === null ? columns.low[k] : Math.min(row.low, columns.low[k]);
      row.high = row.high === null ? columns.high[k] : Math.max(row.high, columns.high[k]);
      sum += columns.mean[k];
      n += 1;
    }
    if (n) row.mean = sum / n;
    rows.push(row);
  }
  return rows;
}

/** Fill a table anew. @param {HTMLTableElement} table */
export function fill(table, caption, heads, rows) {
  const made = (tag, text, attributes = {}) => {
    const cell = document.createElement(tag);
    cell.textContent = text;
    for (const [name, value] of Object.entries(attributes)) cell.setAttribute(name, value);
    return cell;
  };
  const head = document.createElement("tr");
  head.append(...heads.map((text) => made("th", text, { scope: "col" })));
  const thead = document.createElement("thead");
  thead.append(head);
  const body = document.createElement("tbody");
  for (const cells of rows) {
    const row = document.createElement("tr");
    row.append(...cells.map((text, i) => (i ? made("td", text) : made("th", text, { scope: "row" }))));
    body.append(row);
  }
  table.replaceChildren(made("caption", caption), thead, body);
}
