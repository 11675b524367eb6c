// The word at the head of the page on what this device keeps: All sent, 3 to send, no signal, who has to sign in.
// "%(n)s to send" with n filled in.
export const filled = (text, values) => text.replace(/%\((\w+)\)s/g, (_, key) => values[key] ?? "");

export function wordsOf(page) {
  const known = new Map([...page.querySelectorAll("[data-word]")].map((each) => [each.dataset.word, each.textContent.trim()]));
  return (name, values = {}) => filled(known.get(name) ?? name, values);
}

export function drawSent(words, { status: told, unsent, who }) {
  const box = document.getElementById("sent");
  if (!box) return;
  const status = told === "sent" && unsent ? "sending" : told; // what waits belongs to another log of this device
  const quiet = unsent === 0 && ["sending", "trouble", "other_person", "signed_out"].includes(status);
  const name = status === "no_signal" && !unsent ? "no_signal_none" : quiet ? "sent" : status;
  const word = box.querySelector(".sent-word");
  const text = words(name === "signed_out" && unsent === 1 ? "signed_out_one" : name, { n: unsent, who });
  if (name === "signed_out") {
    const link = Object.assign(document.createElement("a"), { href: location.pathname, textContent: text });
    word.replaceChildren(link); // the page itself leads to the sign-in and back
  } else if (word.textContent !== text) word.textContent = text;
  box.dataset.tone = name === "sent" ? "" : ["sending", "no_signal", "no_signal_none"].includes(name) ? "wait" : "stop";
  box.dataset.unsent = unsent;
  box.dataset.status = told;
}
