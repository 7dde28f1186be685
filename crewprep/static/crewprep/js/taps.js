// A tempo tapped along with the music: a straight line through the taps (least squares).

const LONGEST_GAP_US = 2_500_000;
const LEAST = 4;

// The taps with one more; after a long pause counting begins anew.
export function withTap(taps, us) {
  const last = taps.at(-1);
  return last === undefined || us <= last || us - last > LONGEST_GAP_US ? [us] : [...taps, us];
}

// Beats per minute and the time of a beat, or null while there are fewer than four taps.
export function tempoOf(taps) {
  if (taps.length < LEAST) return null;
  const middle = (taps.length - 1) / 2;
  const mean = taps.reduce((sum, us) => sum + us, 0) / taps.length;
  let across = 0;
  let squares = 0;
  taps.forEach((us, number) => {
    across += (number - middle) * (us - mean);
    squares += (number - middle) ** 2;
  });
  const period = across / squares;
  return { bpm: Math.round(6e9 / period) / 100, us: Math.max(0, Math.round(mean - middle * period)) };
}
