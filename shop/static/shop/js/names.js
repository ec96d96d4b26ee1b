// The names, asked for anew: a name that was chosen here without a connection, or that nobody was here, is over.
try {
  for (const key of Object.keys(localStorage)) if (key.startsWith("lapwright.who.")) localStorage.removeItem(key);
} catch { /* a browser that keeps nothing has nothing to forget */ }
