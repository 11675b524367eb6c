// Wide tables of rows that are read one by one (class "cards") stand as one card a row on a phone: each value under
// its heading. Without JavaScript they scroll in their box.
for (const table of document.querySelectorAll("table.cards")) {
  const heads = [...table.querySelectorAll("thead th")].map((head) => head.textContent.trim());
  for (const row of table.querySelectorAll("tbody tr")) {
    [...row.cells].forEach((cell, index) => (cell.dataset.head = heads[index] ?? ""));
  }
  table.dataset.labelled = "";
}
