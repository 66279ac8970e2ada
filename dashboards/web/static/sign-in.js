// Sign in with a token; look at who is signed in; sign out.

import { AskError, el, field, fill, forgetToken, form, get, keepToken, leave, main, start, token, wrong } from "./kit.js";

/** Where one came from, if that is a page of this daemon; else the wall. Read as the browser would: it drops tabs, say. */
function cameFrom() {
  try {
    const place = new URL(new URLSearchParams(location.search).get("to") ?? "/", location.origin);
    return place.origin === location.origin && place.pathname !== "/sign-in" ? place.href : "/";
  } catch {
    return "/";
  }
}

start((me) => {
  const back = cameFrom();
  const inputs = [
    field("Token", "token", { kind: "password", hint: "Made on the daemon's computer: benchd token make NAME --scope look (or operate, to write things down).", maxlength: 200, autocomplete: "off" }),
    field("Keep it on this device", "keep", { kind: "check", hint: "Only on a device that is the shop's own. Without it the token is forgotten when this tab is closed." }),
  ];
  const entering = form(inputs, "Sign in", async (values, made) => {
    const before = token();
    const box = made.elements.token;
    if (!values.token) return wrong(box, "enter the token.");
    if (!/^[\x21-\x7e]{1,200}$/.test(values.token)) return wrong(box, "a token has no blanks and no letters with accents.");
    keepToken(values.token, values.keep);
    try {
      await get("/v1/session");
    } catch (error) {
      forgetToken();
      if (before) keepToken(before, false);
      if (error instanceof AskError && error.status === 401) return wrong(box, error.message);
      throw error;
    }
    return leave(back);
  });
  const here = me.scope ? el("p", {}, `Now: ${me.name}, ${me.name === "this computer" ? "which" : "who"} may ${{ look: "look", operate: "look and operate", administer: "do everything" }[me.scope]}.`) : el("p", {}, "Looking at this daemon from another device needs a token.");
  const out = el("button", { type: "button", onclick: () => (forgetToken(), location.reload()) }, "Sign out");
  fill(main(), el("h1", {}, "Sign in"), el("section", { class: "plate" }, here, token() ? out : null), el("section", { class: "plate" }, entering));
});
