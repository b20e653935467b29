// Runs the Khronos glTF validator on files and prints a JSON summary, one entry per file.
//
// Usage: node tests/outside/validate.mjs FILE...
// Exit code 1 when any file has an error or a warning; infos and hints are printed only.
// Only buffers inside the file are read: a file that needs others fails.
import { readFileSync } from 'node:fs';
import { importInstalled } from './packages.mjs';

const validator = (await importInstalled('gltf-validator/index.js')).default;
const SEVERITIES = ['errors', 'warnings', 'infos', 'hints'];

async function validate(path) {
  const report = await validator.validateBytes(new Uint8Array(readFileSync(path)), {
    uri: path,
    maxIssues: 0,
    externalResourceFunction: () => Promise.reject(new Error('no outside resources here')),
  });
  const { issues } = report;
  const messages = issues.messages.map(({ severity, code, message, pointer }) => {
    return { severity: SEVERITIES[severity], code, message, pointer };
  });
  return {
    file: path,
    errors: issues.numErrors,
    warnings: issues.numWarnings,
    infos: issues.numInfos,
    hints: issues.numHints,
    messages,
  };
}

const paths = process.argv.slice(2);
if (paths.length === 0) {
  console.error('usage: validate.mjs FILE...');
  process.exit(2);
}
const summaries = [];
for (const path of paths) summaries.push(await validate(path));
console.log(JSON.stringify(summaries, null, 1));
process.exit(summaries.some((summary) => summary.errors + summary.warnings > 0) ? 1 : 0);
