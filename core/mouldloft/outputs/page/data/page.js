"use strict";
(async () => {
  const plan = JSON.parse(document.getElementById("plan").textContent);
  const root = document.documentElement;
  const canvas = document.getElementById("view");
  const told = document.getElementById("told");
  const slider = document.getElementById("apart");
  const said = document.getElementById("apart-said");

  const tell = (words) => {
    told.textContent = words;
    told.classList.toggle("on", Boolean(words));
  };

  // --- shapes: one deflated block of arrays, their places in plan.bodies --------------------------------
  const unpack = async () => {
    const text = document.getElementById("shapes").textContent.trim();
    const packed = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).arrayBuffer();
  };

  let block;
  let renderer;
  try {
    block = await unpack();
    renderer = new THREE.WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
  } catch (error) {
    root.dataset.state = "flat";
    tell("This browser cannot turn the piece in three dimensions; the picture and the figures are complete.");
    canvas.remove();
    document.querySelector(".views").remove();
    document.querySelector(".tools").remove();
    return;
  }

  const linear = new Float32Array(256);
  for (let k = 0; k < 256; k++) {
    const s = k / 255;
    linear[k] = s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
  }
  const spread = (bytes) => {
    const out = new Float32Array(bytes.length);
    for (let k = 0; k < bytes.length; k++) out[k] = linear[bytes[k]];
    return out;
  };

  const geometryOf = (body) => {
    const geometry = new THREE.BufferGeometry();
    const steps = new Uint16Array(block, body.at.vertices, 3 * body.vertices);
    const points = new Float32Array(steps.length);
    for (let k = 0; k < steps.length; k++) points[k] = body.low[k % 3] + steps[k] * body.step[k % 3];
    geometry.setAttribute("position", new THREE.BufferAttribute(points, 3));
    geometry.setAttribute("normal", new THREE.BufferAttribute(new Int8Array(block, body.at.normals, 3 * body.vertices), 3, true));
    geometry.setAttribute("color", new THREE.BufferAttribute(spread(new Uint8Array(block, body.at.colours, 3 * body.vertices)), 3));
    geometry.setIndex(new THREE.BufferAttribute(new Uint32Array(block, body.at.faces, 3 * body.faces), 1));
    return geometry;
  };

  // --- the scene, in plan coordinates: z up -------------------------------------------------------------
  const scene = new THREE.Scene();
  renderer.setClearColor(plan.backdrop);
  renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
  const camera = new THREE.PerspectiveCamera(26, 1, plan.size * 0.02, plan.size * 40);
  camera.up.set(0, 0, 1);
  scene.add(new THREE.HemisphereLight(0xffffff, 0xb9ad9a, 1.55));
  const key = new THREE.DirectionalLight(0xffffff, 1.9);
  const fill = new THREE.DirectionalLight(0xffffff, 0.35);
  scene.add(key, key.target, fill, fill.target);

  const parts = new Map(); // by name: its objects, what moves them, whether it is shown
  const meshes = [];
  for (const body of plan.bodies) {
    // drawn a hair further off than it is, so that the seam on it is not swallowed
    const material = new THREE.MeshLambertMaterial({
      vertexColors: true, side: THREE.DoubleSide, polygonOffset: true, polygonOffsetFactor: 1.5, polygonOffsetUnits: 2,
    });
    const mesh = new THREE.Mesh(geometryOf(body), material);
    mesh.userData = body;
    scene.add(mesh);
    meshes.push(mesh);
    if (!parts.has(body.part)) parts.set(body.part, []);
    parts.get(body.part).push(mesh);
  }
  const colourOf = (mesh, at) => new THREE.BufferAttribute(spread(new Uint8Array(block, at, 3 * mesh.userData.vertices)), 3);
  const gloves = meshes.filter((mesh) => mesh.userData.thickness !== undefined).map((mesh) => ({
    mesh, plain: mesh.geometry.getAttribute("color"), thick: colourOf(mesh, mesh.userData.thickness),
  }));
  const master = meshes.find((mesh) => mesh.userData.part === "master");
  const plain = master.geometry.getAttribute("color");
  const maps = { locks: ["legend", colourOf(master, plan.lockColours)] };
  if (plan.clayColours !== null) maps.clay = ["legend-clay", colourOf(master, plan.clayColours)];

  const seams = plan.seam.map((line) => {
    const geometry = new THREE.LineSegmentsGeometry();
    const points = new Float32Array(block, line.at, 3 * line.points);
    const pairs = [];
    const last = line.closed ? line.points : line.points - 1;
    for (let k = 0; k < last; k++) {
      const next = (k + 1) % line.points;
      pairs.push(points[3 * k], points[3 * k + 1], points[3 * k + 2], points[3 * next], points[3 * next + 1], points[3 * next + 2]);
    }
    geometry.setPositions(pairs);
    const seen = new THREE.LineSegments2(geometry, new THREE.LineMaterial({ color: plan.seamColour, linewidth: 3.2 }));
    const behind = new THREE.LineSegments2(geometry, new THREE.LineMaterial({
      color: plan.seamColour, linewidth: 1.5, dashed: true, dashSize: plan.size * 0.009, gapSize: plan.size * 0.008,
      depthFunc: THREE.GreaterDepth, depthWrite: false, transparent: true, opacity: 0.8,
    }));
    behind.computeLineDistances();
    seen.userData.candidate = behind.userData.candidate = line.candidate;
    scene.add(behind, seen);
    return [seen, behind];
  }).flat();
  parts.set("seam", seams);

  const shade = document.createElement("canvas");
  shade.width = shade.height = 128;
  const pen = shade.getContext("2d");
  const glow = pen.createRadialGradient(64, 64, 0, 64, 64, 64);
  glow.addColorStop(0, "rgba(60,52,40,.42)");
  glow.addColorStop(0.55, "rgba(60,52,40,.18)");
  glow.addColorStop(1, "rgba(60,52,40,0)");
  pen.fillStyle = glow;
  pen.fillRect(0, 0, 128, 128);
  const floor = new THREE.Mesh(
    new THREE.PlaneGeometry(plan.foot[0] * 1.9, plan.foot[1] * 1.7),
    new THREE.MeshBasicMaterial({ map: new THREE.CanvasTexture(shade), transparent: true, depthWrite: false }),
  );
  floor.position.set(0, 0, -1);
  scene.add(floor);

  // --- what is shown, and how far it is apart -----------------------------------------------------------
  const shown = {};
  let apart = 0;
  let seamShown = 0;
  const state = () => {
    root.dataset.shown = Object.keys(shown).filter((name) => shown[name]).join(" ");
    root.dataset.apart = String(apart);
  };
  const show = (name, on) => {
    shown[name] = on;
    if (maps[name]) {
      const [legend, colours] = maps[name];
      for (const other of ["thickness", ...Object.keys(maps)]) if (on && other !== name && shown[other]) show(other, false); // one scale at a time
      master.geometry.setAttribute("color", on ? colours : plain);
      document.getElementById(legend).hidden = !on;
      if (on && !shown.master) show("master", true);
    } else if (name === "thickness") {
      for (const glove of gloves) glove.mesh.geometry.setAttribute("color", on ? glove.thick : glove.plain);
      document.getElementById("legend-thickness").hidden = !on;
      for (const map of Object.keys(maps)) if (on && shown[map]) show(map, false);
      if (on) for (const part of plan.parts) {
        if (part.name.startsWith("jacket") || part.name === "bolts") show(part.name, false);
        if (part.name.startsWith("glove") && !shown[part.name]) show(part.name, true);
      }
    } else {
      for (const object of parts.get(name) || []) {
        object.visible = on && (name !== "seam" || object.userData.candidate === seamShown);
      }
      floor.visible = Boolean(shown.master);
    }
    const button = document.querySelector(`[data-part="${name}"]`);
    if (button) button.setAttribute("aria-pressed", String(on));
    state();
    draw();
  };
  const pull = (share) => {
    apart = share;
    const eased = share * share * (3 - 2 * share);
    for (const mesh of meshes) mesh.position.set(...mesh.userData.pull.map((v) => v * eased));
    delete root.dataset.turn;
    said.textContent = share <= 0 ? "closed" : `${Math.round(100 * share)} %`;
    slider.setAttribute("aria-valuetext", said.textContent);
    state();
    draw();
  };

  // --- taken off one after the other: bolts, jackets, gloves, the last made first ------------------------
  let taking = 0;
  const offPlay = document.getElementById("off-play");
  const movedOff = (along) => {
    for (const mesh of meshes) {
      const own = mesh.userData.turn < 0 ? 0 : Math.min(Math.max(along - mesh.userData.turn, 0), 1);
      mesh.position.set(...mesh.userData.pull.map((v) => v * own * own * (3 - 2 * own)));
    }
  };
  // from close up next to nothing of it is seen: as far back, the same way, as takes in all that comes off
  const stepBack = () => {
    const aim = controls.target.clone(), way = camera.position.clone().sub(aim);
    movedOff(plan.turns.length);
    lookFrom(way.toArray());
    if (camera.position.distanceTo(controls.target) < way.length()) place(aim, way.clone().normalize(), way.length());
  };
  const takeOff = (share) => {
    const along = share * plan.turns.length, turn = Math.min(Math.floor(along), plan.turns.length - 1);
    movedOff(along);
    apart = share;
    slider.value = String(100 * share);
    said.textContent = `${turn + 1} of ${plan.turns.length}`;
    slider.setAttribute("aria-valuetext", plan.turns[turn]);
    if (root.dataset.turn !== String(turn)) tell(`${turn + 1}. ${plan.turns[turn]}`);
    root.dataset.turn = String(turn);
    state();
    draw();
  };
  const takeStop = () => {
    cancelAnimationFrame(taking);
    taking = 0;
    offPlay.textContent = "Take off in order";
    offPlay.setAttribute("aria-pressed", "false");
  };
  offPlay.addEventListener("click", () => {
    if (taking) { takeStop(); return; }
    if (peeled >= 0) peelHide();
    for (const part of plan.parts) if (!maps[part.name] && part.name !== "thickness" && part.name !== "wall" && !shown[part.name]) show(part.name, true);
    offPlay.textContent = "Pause";
    offPlay.setAttribute("aria-pressed", "true");
    const from = apart >= 1 || root.dataset.turn === undefined ? 0 : apart;
    stepBack();
    takeOff(from);
    let start = 0;
    const tick = (now) => {
      start = start || now;
      const share = Math.min(from + (now - start) / (1800 * plan.turns.length), 1);
      takeOff(share);
      if (share < 1) taking = requestAnimationFrame(tick); else takeStop();
    };
    taking = requestAnimationFrame(tick);
  });

  for (const choice of document.querySelectorAll("input[name=seam]")) {
    choice.addEventListener("change", () => {
      seamShown = Number(choice.value);
      root.dataset.seam = choice.value;
      show("seam", true);
    });
  }

  // --- the glove peeled: frames between which places are mixed ----------------------------------------
  let peeled = -1; // which one is shown, -1 none
  let playing = 0;
  const peelBox = document.getElementById("peel"), peelAt = document.getElementById("peel-at");
  const peelPlay = document.getElementById("peel-play"), peelSaid = document.getElementById("peel-said");
  const peels = plan.peel.map((peel) => {
    const mesh = parts.get(peel.part)[0];
    mesh.geometry.setAttribute("normal", new THREE.BufferAttribute(new Float32Array(3 * peel.vertices), 3));
    return { ...peel, mesh, steps: new Uint16Array(block, peel.at, 3 * peel.vertices * peel.frames) };
  });
  const peelTo = (share) => {
    const peel = peels[peeled], count = 3 * peel.vertices, last = peel.frames - 1;
    const at = share * last, k = Math.min(Math.floor(at), last - 1), mix = at - k;
    const places = peel.mesh.geometry.getAttribute("position");
    for (let i = 0; i < count; i++) {
      const a = peel.steps[k * count + i], b = peel.steps[(k + 1) * count + i];
      places.array[i] = peel.low[i % 3] + peel.step[i % 3] * (a + mix * (b - a));
    }
    places.needsUpdate = true;
    peel.mesh.geometry.computeVertexNormals();
    peel.mesh.geometry.boundingSphere = null;
    const frame = Math.round(at);
    peelSaid.textContent = peel.said[frame];
    peelAt.value = String(1000 * share);
    peelAt.setAttribute("aria-valuetext", peel.said[frame]);
    root.dataset.peel = `${peeled} ${share.toFixed(3)}`;
    draw();
  };
  const peelStop = () => {
    cancelAnimationFrame(playing);
    playing = 0;
    peelPlay.textContent = "Play";
    peelPlay.setAttribute("aria-pressed", "false");
  };
  const peelShow = (which) => {
    peeled = which;
    for (const part of plan.parts) if (shown[part.name] && !["master", "seam"].includes(part.name)) show(part.name, false);
    if (!shown.master) show("master", true);
    peels.forEach((peel, k) => { peel.mesh.visible = k === which; });
    document.querySelectorAll("[data-peel]").forEach((b) => b.setAttribute("aria-pressed", String(Number(b.dataset.peel) === which)));
    tell(peels[which].words);
  };
  const peelHide = () => {
    peelStop();
    peeled = -1;
    delete root.dataset.peel;
    for (const peel of peels) peel.mesh.visible = false;
    document.querySelectorAll("[data-peel]").forEach((b) => b.setAttribute("aria-pressed", "false"));
  };
  peelBox.hidden = !peels.length;
  for (const [k, peel] of peels.entries()) {
    peel.mesh.visible = false;
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.peel = String(k);
    button.setAttribute("aria-pressed", "false");
    button.append(peel.label);
    button.addEventListener("click", () => { peelStop(); peelShow(k); peelTo(0); });
    document.getElementById("peel-which").append(button);
  }
  peelAt.addEventListener("input", () => {
    peelStop();
    if (peeled < 0) peelShow(0);
    peelTo(peelAt.valueAsNumber / 1000);
  });
  peelPlay.addEventListener("click", () => {
    if (playing) { peelStop(); return; }
    if (peeled < 0) peelShow(0);
    peelPlay.textContent = "Pause";
    peelPlay.setAttribute("aria-pressed", "true");
    let from = peelAt.valueAsNumber >= 1000 ? 0 : peelAt.valueAsNumber / 1000, start = 0;
    const tick = (now) => {
      start = start || now;
      const share = Math.min(from + (now - start) / 6000, 1);
      peelTo(share);
      if (share < 1) playing = requestAnimationFrame(tick); else peelStop();
    };
    playing = requestAnimationFrame(tick);
  });

  const chips = document.getElementById("parts");
  for (const part of plan.parts) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.part = part.name;
    const dot = document.createElement("i");
    button.style.setProperty("--swatch", part.colour);
    button.append(dot, part.label);
    button.addEventListener("click", () => {
      if (peeled >= 0 && part.name !== "seam") peelHide();
      show(part.name, !shown[part.name]);
      tell("");
    });
    chips.append(button);
  }
  slider.addEventListener("input", () => { takeStop(); tell(""); pull(slider.valueAsNumber / 100); });

  // --- numbers on keys and bolts, on the side that is looked at ------------------------------------------
  let numbered = false;
  const numbers = document.getElementById("numbers");
  const numberButton = document.createElement("button");
  numberButton.type = "button";
  numberButton.id = "number-them";
  numberButton.setAttribute("aria-pressed", "false");
  numberButton.append(document.createElement("i"), "Numbers");
  numberButton.addEventListener("click", () => {
    numbered = !numbered;
    numberButton.setAttribute("aria-pressed", String(numbered));
    draw();
  });
  chips.append(numberButton);
  const writeNumbers = (width, height) => {
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    numbers.width = width * ratio; // also wipes it
    numbers.height = height * ratio;
    if (!numbered) { root.dataset.numbers = "0"; return; }
    const pen = numbers.getContext("2d");
    pen.scale(ratio, ratio);
    pen.font = "600 11px sans-serif";
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    const taken = [];
    let written = 0;
    for (const mesh of meshes) {
      if (!mesh.visible || !mesh.userData.marks.length) continue;
      const out = new THREE.Vector3(...mesh.userData.pull).normalize();
      if (out.dot(camera.position.clone().sub(controls.target)) < 0) continue; // its back is looked at
      for (const mark of mesh.userData.marks) {
        const at = new THREE.Vector3(...mark.at).add(mesh.position).project(camera);
        const x = (at.x + 1) / 2 * width, y = (1 - at.y) / 2 * height;
        if (at.z > 1 || taken.some(([a, b]) => Math.abs(a - x) < 18 && Math.abs(b - y) < 13)) continue;
        taken.push([x, y]);
        const wide = pen.measureText(mark.name).width + 7;
        pen.fillStyle = "rgba(255,255,255,.92)";
        pen.fillRect(x - wide / 2, y - 7.5, wide, 15);
        pen.fillStyle = "#23211d";
        pen.fillText(mark.name, x, y);
        written += 1;
      }
    }
    root.dataset.numbers = String(written);
  };

  // --- looking ------------------------------------------------------------------------------------------
  const controls = new THREE.OrbitControls(camera, canvas);
  controls.enableDamping = false;
  controls.minDistance = plan.size * 0.25;
  controls.maxDistance = plan.size * 9;
  controls.listenToKeyEvents(canvas);

  const directions = {
    front: [0, -1, 0.03], left: [1, 0, 0.03], back: [0, 1, 0.03], right: [-1, 0, 0.03], quarter: [0.62, -0.74, 0.27],
  };
  const corners = () => {
    const found = [];
    for (const mesh of meshes.filter((m) => m.visible)) {
      const { low, step } = mesh.userData;
      for (let k = 0; k < 8; k++) {
        const at = low.map((v, axis) => v + ((k >> axis) & 1) * 65535 * step[axis]);
        found.push(new THREE.Vector3(...at).add(mesh.position));
      }
    }
    return found.length ? found : [new THREE.Vector3(...plan.middle)];
  };
  const place = (aim, way, distance) => {
    camera.position.copy(aim).addScaledVector(way, distance);
    controls.target.copy(aim);
    controls.update();
    root.dataset.far = distance.toFixed(0);
    draw();
  };
  // far enough, and aimed, so that all that is shown just fits between the title and the buttons
  const lookFrom = (direction) => {
    const way = new THREE.Vector3(...direction).normalize();
    const points = corners();
    const aim = points.reduce((sum, p) => sum.add(p), new THREE.Vector3()).divideScalar(points.length);
    const right = new THREE.Vector3(0, 0, 1).cross(way).normalize();
    const up = way.clone().cross(right);
    const high = Math.tan((camera.fov * Math.PI) / 360) * 0.74, wide = high / 0.74 * camera.aspect * 0.9;
    let distance = plan.size * 0.5;
    for (let round = 0; round < 4; round++) {
      const across = [Infinity, -Infinity], along = [Infinity, -Infinity];
      for (const p of points) {
        const q = p.clone().sub(aim), depth = Math.max(distance - q.dot(way), plan.size * 0.05);
        const x = q.dot(right) / depth, y = q.dot(up) / depth;
        across[0] = Math.min(across[0], x); across[1] = Math.max(across[1], x);
        along[0] = Math.min(along[0], y); along[1] = Math.max(along[1], y);
      }
      aim.addScaledVector(right, distance * (across[0] + across[1]) / 2).addScaledVector(up, distance * (along[0] + along[1]) / 2);
      distance *= Math.max((across[1] - across[0]) / 2 / wide, (along[1] - along[0]) / 2 / high);
    }
    place(aim.addScaledVector(up, distance * high * 0.06), way, distance);
  };
  document.querySelectorAll("[data-view]").forEach((button) => {
    button.addEventListener("click", () => {
      lookFrom(directions[button.dataset.view]);
      root.dataset.view = button.dataset.view;
    });
  });
  const listed = (name, views, attribute) => document.querySelectorAll(`[data-${attribute}]`).forEach((button) => {
    button.addEventListener("click", () => {
      const spot = views[Number(button.dataset[attribute])];
      for (const part of plan.parts) if (!["master", name, "seam"].includes(part.name)) show(part.name, false);
      show(name, true);
      place(new THREE.Vector3(...spot.centre), new THREE.Vector3(...spot.way), plan.size * 1.25 / Math.min(camera.aspect, 1));
      tell(spot.words);
    });
  });
  listed("locks", plan.locks, "lock");
  listed("clay", plan.clay, "clay");

  // a tap, not a drag, tells what was touched
  let down = null;
  canvas.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; });
  canvas.addEventListener("pointerup", (event) => {
    if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 6) return;
    const box = canvas.getBoundingClientRect();
    const at = new THREE.Vector2(
      ((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2,
    );
    const ray = new THREE.Raycaster();
    ray.setFromCamera(at, camera);
    const hit = ray.intersectObjects(meshes.filter((mesh) => mesh.visible), false)[0];
    tell(hit ? whatIs(hit) : "");
  });
  const whatIs = (hit) => {
    const body = hit.object.userData;
    if (body.marks.length) {
      const point = hit.point.clone().sub(hit.object.position);
      const nearest = body.marks.reduce((a, b) => (point.distanceToSquared(new THREE.Vector3(...a.at))
        <= point.distanceToSquared(new THREE.Vector3(...b.at)) ? a : b));
      return nearest.words;
    }
    return body.words;
  };

  // --- drawing, only when something changed -------------------------------------------------------------
  let waiting = false;
  const paint = () => {
    waiting = false;
    const box = canvas.parentElement.getBoundingClientRect();
    const width = Math.max(1, Math.round(box.width)), height = Math.max(1, Math.round(box.height));
    if (canvas.clientWidth !== width || camera.userData.width !== width || camera.userData.height !== height) {
      camera.userData = { width, height };
      renderer.setSize(width, height, false);
      camera.aspect = width / height;
      camera.updateProjectionMatrix();
    }
    // the lights go with the camera, so that no side lies in the dark
    const right = new THREE.Vector3(), up = new THREE.Vector3(), back = new THREE.Vector3();
    camera.matrixWorld.extractBasis(right, up, back);
    key.target.position.copy(controls.target);
    fill.target.position.copy(controls.target);
    key.position.copy(controls.target).addScaledVector(right, -0.62 * plan.size).addScaledVector(up, 0.72 * plan.size).addScaledVector(back, 0.62 * plan.size);
    fill.position.copy(controls.target).addScaledVector(right, 0.85 * plan.size).addScaledVector(up, 0.1 * plan.size).addScaledVector(back, 0.55 * plan.size);
    renderer.render(scene, camera);
    writeNumbers(width, height);
    root.dataset.drawn = String(Number(root.dataset.drawn || 0) + 1);
  };
  const draw = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(paint);
  };
  controls.addEventListener("change", draw);
  window.addEventListener("resize", draw);
  new ResizeObserver(draw).observe(canvas.parentElement);

  for (const part of plan.parts) show(part.name, part.shown);
  slider.value = String(100 * plan.apart);
  pull(plan.apart);
  paint();
  lookFrom(directions.quarter);
  document.body.classList.add("ready");
  root.dataset.state = "ready";
})();
