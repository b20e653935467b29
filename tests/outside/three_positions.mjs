// World positions of every joint at every frame time, as the loaders of `three` see a file.
//
// Usage: node tests/outside/three_positions.mjs FILE.bvh|FILE.glb OUT.json
//            [--units-per-metre N] [--animation INDEX] [--times T,T,...]
//
// BVH: three's BVHLoader.
// - It ADDS a joint's position channels to its OFFSET. Common practice replaces the OFFSET; the
//   two agree only where the OFFSET of a joint with position channels is zero.
// - It reads one root, wants LF or CRLF lines and a name without spaces: names are swapped
//   for j0, j1, ... before it sees the text, and put back. End sites become "<joint> end".
// - Its tracks hold 32-bit floats.
// - Positions are divided by --units-per-metre (default 100).
// GLB: GLTFLoader and AnimationMixer, buffers inside the file only. Materials, textures and
// images are taken out first, since decoding pictures needs a browser; they move no joint.
// Without --times a GLB is evaluated at every distinct key time of the animation.
import { readFileSync, writeFileSync } from 'node:fs';
import { extname } from 'node:path';
import { parseArgs } from 'node:util';
import { importInstalled } from './packages.mjs';

const THREE = await importInstalled('three/build/three.module.js');

/** Evaluates a clip below `root` at the given seconds; returns [time][object] = [x, y, z]. */
function sample(root, clip, objects, times, unitsPerMetre) {
  const mixer = new THREE.AnimationMixer(root);
  const action = clip === undefined ? undefined : mixer.clipAction(clip);
  if (action) {
    // Looping would turn the last key time into the first one.
    action.setLoop(THREE.LoopOnce, 1);
    action.clampWhenFinished = true;
  }
  const point = new THREE.Vector3();
  return times.map((time) => {
    if (action) {
      action.reset().play();
      mixer.setTime(time);
    }
    root.updateMatrixWorld(true);
    return objects.map((object) => {
      point.setFromMatrixPosition(object.matrixWorld).divideScalar(unitsPerMetre);
      return point.toArray();
    });
  });
}

async function bvhPositions(path, unitsPerMetre, wantedTimes) {
  const { BVHLoader } = await importInstalled('three/examples/jsm/loaders/BVHLoader.js');
  const names = [];
  const text = readFileSync(path, 'utf8').replace(/^(\s*)(ROOT|JOINT)\s+(.*?)\s*$/gm, (_, pad, kind, name) => {
    names.push(name);
    return `${pad}${kind} j${names.length - 1}`;
  });
  const { skeleton, clip } = new BVHLoader().parse(text);
  const bones = skeleton.bones;
  const nameOf = (bone) => (bone.name === 'ENDSITE' ? `${nameOf(bone.parent)} end` : names[Number(bone.name.slice(1))]);
  const frameTime = Number(/^\s*Frame Time:\s*(\S+)/m.exec(text)[1]);
  const frames = Number(/^\s*Frames:\s*(\d+)/m.exec(text)[1]);
  const times = wantedTimes ?? Array.from({ length: frames }, (_, frame) => frame * frameTime);
  return {
    joints: bones.map(nameOf),
    parents: bones.map((bone) => bones.indexOf(bone.parent)),
    frame_time_secs: frameTime,
    times_secs: times,
    positions_m: sample(bones[0], clip, bones, times, unitsPerMetre),
  };
}

/** Reads a GLB's chunks and returns it without materials and pictures, and its JSON. */
function withoutPictures(path) {
  const file = readFileSync(path);
  if (file.toString('latin1', 0, 4) !== 'glTF') throw new Error(`${path}: not a GLB`);
  const jsonLength = file.readUInt32LE(12);
  const json = JSON.parse(file.toString('utf8', 20, 20 + jsonLength));
  const rest = file.subarray(20 + jsonLength);
  for (const key of ['materials', 'textures', 'images', 'samplers']) delete json[key];
  for (const mesh of json.meshes ?? []) {
    for (const primitive of mesh.primitives) {
      delete primitive.material;
      delete primitive.extensions?.KHR_materials_variants;
    }
  }
  const text = Buffer.from(JSON.stringify(json), 'utf8');
  const padded = Buffer.concat([text, Buffer.alloc((4 - (text.length % 4)) % 4, 0x20)]);
  const head = Buffer.alloc(20);
  file.copy(head, 0, 0, 8);
  head.writeUInt32LE(20 + padded.length + rest.length, 8);
  head.writeUInt32LE(padded.length, 12);
  head.write('JSON', 16, 'latin1');
  const whole = Buffer.concat([head, padded, rest]);
  return { json, buffer: whole.buffer.slice(whole.byteOffset, whole.byteOffset + whole.length) };
}

async function glbPositions(path, animation, wantedTimes) {
  const { GLTFLoader } = await importInstalled('three/examples/jsm/loaders/GLTFLoader.js');
  const { json, buffer } = withoutPictures(path);
  const gltf = await new GLTFLoader().parseAsync(buffer, '');
  const objects = [];
  const indices = [];
  gltf.scene.traverse((object) => {
    const node = gltf.parser.associations.get(object)?.nodes;
    if (node !== undefined && !indices.includes(node)) {
      objects.push(object);
      indices.push(node);
    }
  });
  const clip = gltf.animations[animation];
  const keyTimes = clip ? [...new Set(clip.tracks.flatMap((track) => [...track.times]))].sort((a, b) => a - b) : [0];
  const times = wantedTimes ?? keyTimes;
  const result = {
    joints: indices.map((index) => json.nodes[index].name ?? `node ${index}`),
    nodes: indices,
    times_secs: times,
    positions_m: sample(gltf.scene, clip, objects, times, 1),
  };
  if (times.length > 1) result.frame_time_secs = times[1] - times[0];
  return result;
}

async function main() {
  const { values, positionals } = parseArgs({
    allowPositionals: true,
    options: {
      'units-per-metre': { type: 'string', default: '100' },
      animation: { type: 'string', default: '0' },
      times: { type: 'string' },
    },
  });
  if (positionals.length !== 2) throw new Error('usage: three_positions.mjs FILE.bvh|FILE.glb OUT.json [options]');
  const [path, out] = positionals;
  const times = values.times?.split(',').map(Number);
  const kind = extname(path).toLowerCase();
  if (kind !== '.bvh' && kind !== '.glb') throw new Error(`${path}: expected .bvh or .glb`);
  const result =
    kind === '.bvh'
      ? await bvhPositions(path, Number(values['units-per-metre']), times)
      : await glbPositions(path, Number(values.animation), times);
  writeFileSync(out, JSON.stringify(result));
}

await main();
