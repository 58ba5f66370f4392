// What can't be saved on the server, handed over as the file that could not be written.

/** Offer `content` as a JSON file of this name. */
export function keepAsFile(name, content) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([`${JSON.stringify(content, null, 2)}\n`], { type: "application/json" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
}
