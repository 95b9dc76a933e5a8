import { connection } from './connection.svelte';

/** The body of an error answer of the server. */
export interface ErrorBody {
  error: string;
  key?: string | null;
  value?: unknown;
  allowed?: string | null;
  advice?: string | null;
  yours?: unknown;
  theirs?: unknown;
}

/** An answer other than success. `sentence` is ready to show. */
export class ApiError extends Error {
  readonly status: number;
  readonly body: ErrorBody;
  constructor(status: number, body: ErrorBody) {
    super(body.error);
    this.name = 'ApiError';
    this.status = status;
    this.body = body;
  }
  /** Another save came first: `body.yours` and `body.theirs` are both kept by the garage. */
  get conflict(): boolean {
    return this.status === 409;
  }
  get sentence(): string {
    const parts = [this.body.error];
    if (this.body.allowed) parts.push(`Allowed: ${this.body.allowed}.`);
    if (this.body.advice) parts.push(this.body.advice);
    return parts.map(endWithStop).join(' ');
  }
}

/** The server did not answer; the banner says so and the shell keeps asking. */
export class ConnectionError extends Error {
  constructor() {
    super('The bench does not answer. Nothing saved is lost; the page goes on when it is back.');
    this.name = 'ConnectionError';
  }
}

function endWithStop(text: string): string {
  return /[.!?]$/.test(text) ? text : `${text}.`;
}

/** Any thrown thing as a sentence for the page. */
export function sentence(error: unknown): string {
  if (error instanceof ApiError) return error.sentence;
  if (error instanceof Error) return endWithStop(error.message);
  return endWithStop(String(error));
}

export function isAbort(error: unknown): boolean {
  return error instanceof DOMException && error.name === 'AbortError';
}

async function errorBody(response: Response): Promise<ErrorBody> {
  try {
    const body: unknown = await response.json();
    if (body !== null && typeof body === 'object') {
      const record = body as Record<string, unknown>;
      if (typeof record.error === 'string') return record as unknown as ErrorBody;
      if (typeof record.detail === 'string') return { error: record.detail };
    }
  } catch {
    // Not JSON: the status line has to do.
  }
  return { error: `The bench answered ${response.status} ${response.statusText}`.trim() };
}

export interface CallOptions {
  signal?: AbortSignal | undefined;
  /** Query parameters; undefined and null ones are left out. */
  query?: Record<string, string | number | boolean | null | undefined> | undefined;
}

export function apiUrl(path: string, query?: CallOptions['query']): string {
  const search = new URLSearchParams();
  for (const [key, value] of Object.entries(query ?? {})) {
    if (value !== undefined && value !== null) search.set(key, String(value));
  }
  const text = search.toString();
  return `/api/${path.replace(/^\/(api\/)?/, '')}${text ? `?${text}` : ''}`;
}

async function send(url: string, init: RequestInit): Promise<Response> {
  let response: Response;
  try {
    response = await fetch(url, { credentials: 'same-origin', cache: 'no-store', ...init });
  } catch (error) {
    if (isAbort(error)) throw error;
    connection.lost();
    throw new ConnectionError();
  }
  connection.heard();
  if (response.status === 401) connection.locked = true;
  if (!response.ok) throw new ApiError(response.status, await errorBody(response));
  return response;
}

async function json<T>(method: string, path: string, body: unknown, o: CallOptions): Promise<T> {
  const init: RequestInit = { method, headers: { Accept: 'application/json' } };
  if (o.signal) init.signal = o.signal;
  if (body !== undefined) {
    init.body = JSON.stringify(body);
    init.headers = { Accept: 'application/json', 'Content-Type': 'application/json' };
  }
  const response = await send(apiUrl(path, o.query), init);
  if (response.status === 204) return undefined as T;
  return (await response.json()) as T;
}

/** Calls of the JSON API. Paths are without `/api/`: `api.get<Garage>('garage/cars')`. */
export const api = {
  get: <T>(path: string, o: CallOptions = {}): Promise<T> => json<T>('GET', path, undefined, o),
  post: <T>(path: string, body: unknown = {}, o: CallOptions = {}): Promise<T> =>
    json<T>('POST', path, body, o),
  delete: <T>(path: string, o: CallOptions = {}): Promise<T> =>
    json<T>('DELETE', path, undefined, o),
  /** Binary columns: little-endian Float32 values as the server sends them. */
  bytes: async (path: string, o: CallOptions = {}): Promise<ArrayBuffer> => {
    const init: RequestInit = { method: 'GET' };
    if (o.signal) init.signal = o.signal;
    return (await send(apiUrl(path, o.query), init)).arrayBuffer();
  },
  /** A raw upload with progress; the body is streamed by the browser. */
  upload: <T>(
    path: string,
    file: Blob,
    options: CallOptions & {
      onProgress?: (sent: number, total: number) => void;
      headers?: Record<string, string>;
    } = {},
  ): Promise<T> =>
    new Promise<T>((resolve, reject) => {
      const request = new XMLHttpRequest();
      request.open('PUT', apiUrl(path, options.query));
      request.responseType = 'text';
      request.setRequestHeader('Content-Type', 'application/octet-stream');
      for (const [name, value] of Object.entries(options.headers ?? {})) {
        request.setRequestHeader(name, value);
      }
      request.upload.onprogress = (e) => options.onProgress?.(e.loaded, e.total);
      request.onerror = () => {
        connection.lost();
        reject(new ConnectionError());
      };
      request.onabort = () => reject(new DOMException('aborted', 'AbortError'));
      request.onload = () => {
        let body: unknown = null;
        try {
          body = JSON.parse(request.responseText || 'null');
        } catch {
          body = null;
        }
        if (request.status >= 200 && request.status < 300) return resolve(body as T);
        if (request.status === 401) connection.locked = true;
        const told = body as ErrorBody | null;
        reject(
          new ApiError(
            request.status,
            told?.error ? told : { error: `The bench answered ${request.status}` },
          ),
        );
      };
      options.signal?.addEventListener('abort', () => request.abort());
      request.send(file);
    }),
};

/**
 * One request in flight, always the latest value: for a drag.
 * `push` while one is under way replaces the waiting value; older answers never arrive late.
 */
export class Latest<In, Out> {
  private busy = false;
  private waiting: { value: In } | null = null;
  private generation = 0;
  constructor(
    private readonly call: (value: In) => Promise<Out>,
    private readonly done: (result: Out, value: In) => void,
    private readonly failed: (error: unknown) => void = () => {},
  ) {}
  push(value: In): void {
    if (this.busy) {
      this.waiting = { value };
      return;
    }
    void this.run(value);
  }
  /** Forget the waiting value and the answer under way (the drag was given up). */
  cancel(): void {
    this.waiting = null;
    this.generation += 1;
  }
  private async run(first: In): Promise<void> {
    this.busy = true;
    let value = first;
    for (;;) {
      const generation = this.generation;
      try {
        const result = await this.call(value);
        if (generation === this.generation) this.done(result, value);
      } catch (error) {
        if (generation === this.generation && !isAbort(error)) this.failed(error);
      }
      const next = this.waiting;
      if (next === null) break;
      this.waiting = null;
      value = next.value;
    }
    this.busy = false;
  }
}

/**
 * Server-sent events with reconnection (the browser's own, plus ours when it gives up).
 * Unnamed messages arrive as event `message`. Returns the function that closes the stream.
 */
export function events(
  path: string,
  handlers: Record<string, (data: unknown) => void>,
  o: CallOptions & { onOpen?: () => void } = {},
): () => void {
  let source: EventSource | null = null;
  let timer: ReturnType<typeof setTimeout> | undefined;
  let closed = false;
  let wait = 500;
  const open = (): void => {
    source = new EventSource(apiUrl(path, o.query));
    source.onopen = () => {
      wait = 500;
      connection.heard();
      o.onOpen?.();
    };
    for (const [name, handler] of Object.entries(handlers)) {
      source.addEventListener(name, (event) => {
        const text = (event as MessageEvent<string>).data;
        // `error` is also the browser's own event, without data.
        if (typeof text !== 'string') return;
        handler(parseData(text));
      });
    }
    source.onerror = () => {
      if (closed) return;
      void connection.probe();
      if (source?.readyState === EventSource.CLOSED) {
        timer = setTimeout(open, wait);
        wait = Math.min(wait * 2, 5000);
      }
    };
  };
  open();
  return () => {
    closed = true;
    clearTimeout(timer);
    source?.close();
  };
}

function parseData(text: string): unknown {
  try {
    return JSON.parse(text) as unknown;
  } catch {
    return text;
  }
}

export interface Live {
  /** Sends when the socket is open; otherwise drops and returns false. */
  send(data: string | ArrayBuffer | ArrayBufferView<ArrayBuffer>): boolean;
  close(): void;
  readonly open: boolean;
}

/** A WebSocket (binary as ArrayBuffer) that reconnects by itself. */
export function live(
  path: string,
  handlers: {
    onOpen?: () => void;
    onClose?: () => void;
    onBinary?: (data: ArrayBuffer) => void;
    onText?: (text: string) => void;
  },
  o: CallOptions = {},
): Live {
  let socket: WebSocket | null = null;
  let timer: ReturnType<typeof setTimeout> | undefined;
  let closed = false;
  let wait = 300;
  const open = (): void => {
    const address = new URL(apiUrl(path, o.query), location.href);
    address.protocol = location.protocol === 'https:' ? 'wss:' : 'ws:';
    socket = new WebSocket(address);
    socket.binaryType = 'arraybuffer';
    socket.onopen = () => {
      wait = 300;
      connection.heard();
      handlers.onOpen?.();
    };
    socket.onmessage = (event: MessageEvent<string | ArrayBuffer>) => {
      if (typeof event.data === 'string') handlers.onText?.(event.data);
      else handlers.onBinary?.(event.data);
    };
    socket.onclose = () => {
      if (closed) return;
      handlers.onClose?.();
      void connection.probe();
      timer = setTimeout(open, wait);
      wait = Math.min(wait * 2, 5000);
    };
  };
  open();
  return {
    send(data) {
      if (socket?.readyState !== WebSocket.OPEN) return false;
      socket.send(data);
      return true;
    },
    close() {
      closed = true;
      clearTimeout(timer);
      socket?.close();
    },
    get open() {
      return socket?.readyState === WebSocket.OPEN;
    },
  };
}

/**
 * Follows a long job: `progress` until it ends, then `end` once; both get the job's state
 * without its result, which `api.get('jobs/<id>')` gives. Returns close and cancel.
 */
export function followJob(
  id: string,
  handlers: { progress?: (state: unknown) => void; end?: (state: unknown) => void },
): { close: () => void; cancel: () => Promise<void> } {
  const path = `jobs/${encodeURIComponent(id)}`;
  const close = events(`${path}/events`, {
    progress: (state) => handlers.progress?.(state),
    end: (state) => {
      // The server ends the stream here; the browser would open it again.
      close();
      handlers.end?.(state);
    },
  });
  return { close, cancel: () => api.delete<void>(path) };
}
