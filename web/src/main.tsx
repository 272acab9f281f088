import "@fontsource-variable/source-serif-4/wght.css";
import "@fontsource-variable/source-serif-4/wght-italic.css";
import "@fontsource-variable/source-sans-3/wght.css";
import "./style/base.css";
import "./style/account.css";
import "./style/stage.css";
import "./style/rows.css";
import "./style/leaf.css";
import "./style/lesson.css";
import "./style/catalogue.css";
import "./style/characters.css";
import { render } from "preact";
import { App } from "./App";
import { api } from "./api";
import { keepAddress, readAddress } from "./state/address";
import { keepBeside } from "./state/beside";
import { about, person, tellError } from "./state/desk";
import { listenToKeys } from "./state/keys";

readAddress();
keepAddress();
keepBeside();
listenToKeys();
const root = document.getElementById("desk") as HTMLElement;
root.replaceChildren();
render(<App />, root);

api.about().then((told) => {
  about.value = told;
  // At a shared desk all is kept under the name that one signed in with.
  if (told.person && (told.shared || person.value === "")) person.value = told.person;
}, tellError);
