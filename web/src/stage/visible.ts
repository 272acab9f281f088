/**
 * Greys of what is drawn, smooth at the borders of parts: what the cast scan looks at.
 *
 * Towards air the surface is where the grey crosses its level, as in the scan; towards a part that is not drawn, where
 * a blurred mask crosses a half, since labels alone would give steps. Where nothing is labelled the mask is carried on
 * by a voxel, so that it does not cut what the greys show.
 */
export function visible(grey: Uint8Array, style: Uint8Array, shape: readonly [number, number, number], drawn: (style: number) => boolean, out: Uint8Array, channel: 0 | 1): void {
  const count = grey.length;
  const mask = new Uint8Array(count);
  const table = Uint8Array.from({ length: 256 }, (_, s) => (s > 0 && drawn(s) ? 255 : 0));
  let any = false;
  for (let i = 0; i < count; i++) {
    const v = table[style[i]!]!;
    mask[i] = v;
    any ||= v > 0;
  }
  if (!any) {
    for (let i = 0; i < count; i++) out[2 * i + channel] = 0;
    return;
  }
  const [nx, ny] = shape;
  const steps = [1, nx, nx * ny];
  const wide = new Uint8Array(mask);
  const next = new Uint8Array(count);
  for (const step of steps) {
    next.set(wide);
    for (let i = step; i < count - step; i++) next[i] = Math.max(wide[i - step]!, wide[i]!, wide[i + step]!);
    wide.set(next);
  }
  for (let i = 0; i < count; i++) if (style[i] === 0) mask[i] = wide[i]!;
  // Binomial over three voxels along each axis.
  for (const step of steps) {
    next.set(mask);
    for (let i = step; i < count - step; i++) next[i] = (mask[i - step]! + 2 * mask[i]! + mask[i + step]! + 2) >> 2;
    mask.set(next);
  }
  for (let i = 0; i < count; i++) {
    const share = (mask[i]! - 64) / 128;
    out[2 * i + channel] = share <= 0 ? 0 : share >= 1 ? grey[i]! : grey[i]! * share;
  }
}
