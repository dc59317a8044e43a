// How long the page takes for a recording, for `tools/bench page`: from choosing the file to the finding,
// reading and drawing included, by the clock. Prints one line of JSON.
import { createRequire } from 'node:module';
import path from 'node:path';

const { WORK, PAGE, BROWSER, RECORDING, RUNS } = process.env;
const { chromium } = createRequire(path.join(WORK, 'package.json'))('playwright-core');
const browser = await chromium.launch({
  executablePath: BROWSER,
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
    '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const page = await browser.newPage();
await page.goto(`file://${PAGE}`);
await page.waitForSelector('html[data-ready=yes]');
const seconds = [];
for (let run = 0; run < Number(RUNS); ++run) {
  await page.evaluate(() => { document.getElementById('finding-json').textContent = ''; });
  const began = performance.now();
  await page.setInputFiles('#recording', RECORDING);
  await page.waitForFunction(() => document.getElementById('finding-json').textContent, null, { polling: 5 });
  seconds.push((performance.now() - began) / 1000);
}
await browser.close();
console.log(JSON.stringify(seconds));
