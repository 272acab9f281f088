export const byId = <T extends Element = HTMLElement>(id: string): T => document.getElementById(id) as unknown as T;
