// What of the library beside it is used here.
export type Child = unknown;
export function html(parts: TemplateStringsArray, ...values: unknown[]): Child;
export function render(what: Child, into: Element): void;
export function useState<T>(first: T | (() => T)): [T, (next: T | ((before: T) => T)) => void];
export function useEffect(effect: () => void | (() => void), on?: readonly unknown[]): void;
export function useLayoutEffect(effect: () => void | (() => void), on?: readonly unknown[]): void;
export function useRef<T>(first: T): { current: T };
