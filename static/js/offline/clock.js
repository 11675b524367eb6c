// What time it is by the server, on a device whose own clock may be wrong. The offset (server minus device) is
// measured with every answer and kept. A clock that is set while the page stands is noticed against the monotonic
// clock: backwards always, forwards only while the page was in sight, as a sleeping tablet looks the same.
const JUMP_MS = 30_000;

export class DeviceClock {
  constructor(offset = null) {
    this.offset = offset;
    this.base = Date.now() - performance.now();
    this.slept = false;
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) this.slept = true;
    });
  }

  // `sentAt`, `gotAt`: device time around a request; the server's moment lies between them.
  measured(serverAt, sentAt, gotAt) {
    this.offset = Math.round(Date.parse(serverAt) - (sentAt + gotAt) / 2);
    this.base = Date.now() - performance.now();
    this.slept = false;
  }

  look() {
    const jump = Date.now() - performance.now() - this.base;
    if (Math.abs(jump) > JUMP_MS) {
      if (this.offset !== null && (jump < 0 || !this.slept)) this.offset -= Math.round(jump);
      this.base += jump;
    }
    this.slept = document.hidden;
    return { at: new Date().toISOString(), offset_ms: this.offset };
  }

  now() {
    this.look();
    return Date.now() + (this.offset ?? 0);
  }

  minutesWrong() {
    return Math.round((this.offset ?? 0) / 60_000);
  }
}
