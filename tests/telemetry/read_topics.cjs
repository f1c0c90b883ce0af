// Everything that a broker says below nightturn/v1, a JSON line a message, until a message on the topic "end".
"use strict";
const mqtt = require("mqtt");

const client = mqtt.connect(process.argv[2], { protocolVersion: 5, reconnectPeriod: 0 });
const say = (line) => process.stdout.write(`${JSON.stringify(line)}\n`);

client.on("error", ({ message }) => {
  process.stderr.write(`${message}\n`);
  process.exitCode = 1;
});
client.on("message", (topic, payload, { qos, retain }) => {
  if (topic === "end") client.end();
  else say({ topic, qos, retain, payload: payload.toString("utf-8") });
});
client.subscribe(["nightturn/v1/#", "end"], { qos: 1 }, () => say({ topic: "subscribed" }));
