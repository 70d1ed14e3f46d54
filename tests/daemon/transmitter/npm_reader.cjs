// Reads E1.31 with the npm package `sacn`: node npm_reader.cjs MODULES INTERFACE_ADDRESS FIRST LAST; a line a packet.
const [, , modules, iface, first, last] = process.argv;
const { Receiver } = require(require.resolve('sacn', { paths: [modules] }));
const universes = Array.from({ length: last - first + 1 }, (_, at) => +first + at);
const receiver = new Receiver({ universes, iface, reuseAddr: true });
const report = (what) => process.stdout.write(JSON.stringify(what) + '\n');
receiver.on('packet', (packet) =>
  report({
    universe: packet.universe, sequence: packet.sequence, priority: packet.priority, name: packet.sourceName,
    cid: packet.cid.toString('hex'), options: packet.options, from: packet.sourceAddress,
    synchronization: packet.syncUniverse,
    slots: packet.propertyValueCount - 1, data: packet.payloadAsBuffer.toString('hex'),
  }));
for (const fault of ['PacketCorruption', 'PacketOutOfOrder', 'error']) {
  receiver.on(fault, (error) => report({ fault, text: String(error) }));
}
receiver.socket.on('listening', () => setTimeout(() => report('ready'), 100));
process.stdin.on('end', () => receiver.close(() => process.exit(0)));
process.stdin.resume();
