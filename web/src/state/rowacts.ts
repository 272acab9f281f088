/** Acts of the rows by key; the rows fill it when they are laid out. */
export const rowActs: Record<string, () => void> = {};
