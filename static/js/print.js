// Buttons marked data-print open the browser's own print dialog.
document.addEventListener("click", (event) => {
  if (event.target.closest("[data-print]")) window.print();
});
