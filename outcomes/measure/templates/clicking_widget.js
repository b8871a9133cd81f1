
export default {
  render({ model, el }) {
    const ui = clicking(Plotly, el.appendChild(document.createElement("div")), model.get("scan"), model.get("points"), {
      changed(points) { model.set("points", points); model.save_changes(); },
      save() { model.set("saves", model.get("saves") + 1); model.save_changes(); },
    });
    const said = () => ui.say(model.get("said"), model.get("said").startsWith("Saved") ? "" : "no");
    const points = () => ui.take(model.get("points"));
    model.on("change:said", said);
    model.on("change:points", points);
    return () => { model.off("change:said", said); model.off("change:points", points); ui.end(); };
  },
};
