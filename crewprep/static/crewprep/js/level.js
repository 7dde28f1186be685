// The level of the player: `slider` is 0 to 100, `gainDb` brings a track to the common loudness. 1 is full scale.

export function levelOf(slider, gainDb) {
  return Math.min(1, Math.max(0, slider / 100) * 10 ** (gainDb / 20));
}
