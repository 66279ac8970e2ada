// Photos of a finding: made small enough to be sent, and shown again.

import { blob, el, fill } from "./kit.js";

const MOST_BYTES = 150_000; // Base64 makes a third more of it, and the daemon takes 256 KB at once
const SIZES = [1600, 1280, 1024, 800, 640, 480];
const TYPES = { "image/jpeg": "jpg", "image/png": "png", "image/webp": "webp", "image/gif": "gif", "application/pdf": "pdf" };

/** {name, data}: a file as it is sent. Pictures that are too large are made smaller; throws a sentence where that fails. */
export async function packed(file) {
  if (file.size <= MOST_BYTES && TYPES[file.type]) return { name: named(file.name), data: await base64(file) };
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    throw new Error(`${file.name} is no picture that this browser can read, or it is larger than ${Math.round(MOST_BYTES / 1000)} kB: take a JPEG.`);
  }
  for (const size of SIZES) {
    const scale = Math.min(1, size / Math.max(picture.width, picture.height));
    const canvas = el("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    const found = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.75));
    if (found && found.size <= MOST_BYTES) return { name: named(file.name).replace(/\.[^.]*$/, "") + ".jpg", data: await base64(found) };
  }
  throw new Error(`${file.name} cannot be made small enough to be sent.`);
}

const named = (name) => name.replace(/[/\\\p{Cc}]/gu, "_").slice(-100) || "photo.jpg";

async function base64(file) {
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
  return btoa(text);
}

/** A kept photo, fetched when it comes into sight. */
export function shown(photo) {
  const kind = photo.kept?.split(".").pop() ?? "";
  const place = el("span", { class: "photo" }, photo.file);
  if (!["jpg", "png", "gif", "webp"].includes(kind)) return place;
  const look = new IntersectionObserver(async (entries) => {
    if (!entries.some((one) => one.isIntersecting)) return;
    look.disconnect();
    try {
      const address = URL.createObjectURL(await blob(`/v1/photos/${photo.kept}`));
      fill(place, el("a", { href: address, target: "_blank", rel: "noopener" }, el("img", { src: address, alt: `Photo ${photo.file}`, width: 160 })));
    } catch (error) {
      fill(place, `${photo.file}: ${error.message}`);
    }
  });
  look.observe(place);
  return place;
}
