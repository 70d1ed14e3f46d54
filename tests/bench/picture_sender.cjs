// Sends the frames of a raw file with the npm package `sacn`: node picture_sender.cjs MODULES RAW BYTES SLOTS FPS ADDRESS
const { readFileSync } = require('fs');
const [, , modules, raw, bytes, slots, fps, address] = process.argv;
const { Sender } = require(require.resolve('sacn', { paths: [modules] }));
const frames = readFileSync(raw);
const count = frames.length / bytes;
const senders = [];
for (let at = 0; at < bytes; at += +slots) {
  const options = { universe: senders.length + 1, useUnicastDestination: address };
  options.defaultPacketOptions = { sourceName: 'npm sacn', useRawDmxValues: true };
  senders.push(new Sender(options));
}
const begin = process.hrtime.bigint();
async function show(frame) {
  for (const [number, sender] of senders.entries()) {
    const payload = {};
    const first = frame * bytes + number * slots;
    for (let slot = 0; slot < slots && number * slots + slot < bytes; slot++) payload[slot + 1] = frames[first + slot];
    await sender.send({ payload });
  }
  if (frame + 1 === count) return senders.forEach((sender) => sender.close());
  const due = begin + (BigInt(frame + 1) * 1000000000n) / BigInt(fps);
  const wait = Number(due - process.hrtime.bigint()) / 1e6;
  setTimeout(() => show(frame + 1), Math.max(0, wait));
}
show(0);
