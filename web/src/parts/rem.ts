/** Size of the page's letters in CSS pixels, for what is laid out in numbers. */
export const rem = (): number => Number.parseFloat(getComputedStyle(document.documentElement).fontSize) || 16;
