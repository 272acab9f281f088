export const NICE_MM: readonly number[] = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50];
