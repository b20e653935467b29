// Finds the Node packages that tests/prepare installed, wherever the script is called from.
import { existsSync } from 'node:fs';

const modules = new URL('../../target/outside/node/node_modules/', import.meta.url);

/** Imports a file of an installed package, e.g. 'three/build/three.module.js'. */
export async function importInstalled(path) {
  const url = new URL(path, modules);
  if (!existsSync(url)) throw new Error(`${url.pathname} is missing: run tests/prepare first`);
  return import(url.href);
}
