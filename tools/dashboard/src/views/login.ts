// A broker may want to know who reads. What is typed stays in this page's memory, unless the viewer wants it kept.
import { html, nothing, render } from "lit-html";

import { choices } from "../model/viewers_choices";
import { el } from "./dom";
import { t } from "../text/language";
import type { Login } from "../broker/mqtt_packets";

export class LoginView {
  readonly root = el("form", { class: "login" });

  constructor(private readonly enter: (login: Login) => void) {
    this.root.hidden = true;
    this.root.addEventListener("submit", (event) => {
      event.preventDefault();
      const value = (id: string) => this.root.querySelector<HTMLInputElement>(`#${id}`)!;
      const login = { username: value("user").value, password: value("password").value };
      choices.keepLogin(value("keep").checked ? login : undefined);
      this.enter(login);
    });
  }

  show(wanted: boolean, wrong: boolean): void {
    if (this.root.hidden === wanted) this.root.hidden = !wanted;
    render(
      html`<p>${t.login.wants}${wrong ? html` <strong role="alert">${t.news.wrong}</strong>` : nothing}</p>
      <label for="user">${t.login.user}</label><input id="user" autocomplete="username" required>
      <label for="password">${t.login.password}</label><input id="password" type="password" autocomplete="current-password">
      <button type="submit">${t.login.connect}</button>
      <label class="keep"><input id="keep" type="checkbox"> ${t.login.keep}</label>
      ${
        choices.login()
          ? html`<button type="button" @click=${() => {
              choices.keepLogin(undefined);
              this.show(wanted, wrong);
            }}>${t.login.forget}</button>`
          : nothing
      }`,
      this.root,
    );
  }
}
