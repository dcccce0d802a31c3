// Draws outlines beside the page: takes scenes, colours and views, and gives
// pictures of them back.
import { Outlines, drawn } from "./outlines.js";

const outlines = new Outlines();
addEventListener("message", ({ data }) => {
  if (data.scene) { outlines.show(data.scene); }
  if (data.colours) { outlines.colours = data.colours; }
  if (data.view) {
    const picture = drawn(outlines, data.view);
    postMessage({ picture, view: data.view, of: data.of }, [picture]);
  }
});
