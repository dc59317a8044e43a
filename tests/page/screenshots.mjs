// Takes the pictures for tools/screenshots.
import { createRequire } from 'node:module';
import path from 'node:path';

const { OUT, WORK, PAGE, BROWSER } = process.env;
const { chromium } = createRequire(path.join(WORK, 'package.json'))('playwright-core');
const recording = (name) => path.join(WORK, `${name}.wav`);
const browser = await chromium.launch({
  executablePath: BROWSER,
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
    '--disable-background-networking', '--disable-component-update', '--disable-sync',
    '--use-fake-device-for-media-stream', '--use-fake-ui-for-media-stream',
    `--use-file-for-fake-audio-capture=${recording('van-before')}`],
});
const sizes = { phone: { width: 360, height: 740 }, small: { width: 320, height: 568 }, desk: { width: 1280, height: 800 } };
for (const [name, viewport] of Object.entries(sizes)) {
  for (const colorScheme of ['light', 'dark']) {
    const context = await browser.newContext({ viewport, colorScheme });
    const page = await context.newPage();
    const shot = (what, fullPage = false) =>
      page.screenshot({ path: path.join(OUT, `${name}-${colorScheme}-${what}.png`), fullPage });
    const hear = async (file) => {
      await page.evaluate(() => { document.getElementById('finding-json').textContent = ''; });
      await page.setInputFiles('#recording', recording(file));
      await page.waitForFunction(() => document.getElementById('finding-json').textContent);
      await page.waitForTimeout(300);
    };
    await page.goto(`file://${PAGE}`);
    await page.waitForSelector('html[data-ready=yes]');
    await shot('first');
    if (name !== 'small') {
      await page.click('#listen');
      await page.waitForTimeout(7000);
      await shot('listening');
      await page.click('#stop');
      await page.waitForFunction(() => document.getElementById('finding-json').textContent);
    }
    await hear('van-before');
    await shot('finding', true);
    await hear('van-after');
    await page.click('[aria-label="Before: van-before.wav"]');
    await page.click('[aria-label="After: van-after.wav"]');
    await page.locator('#compare').screenshot({ path: path.join(OUT, `${name}-${colorScheme}-compare.png`) });
    await context.close();
  }
}
await browser.close();
console.log(`pictures are in ${OUT}`);
