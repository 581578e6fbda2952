// What is typed is found without regard to case, accents and width (Unicode NFKD without marks).
const fold = (() => {
  const LETTERS = { ß: "ss", ø: "o", ł: "l", đ: "d", æ: "ae", œ: "oe", ı: "i" };
  return (text) => text.toLowerCase().normalize("NFKD").replace(/\p{M}/gu, "").replace(/[ßøłđæœı]/g, (c) => LETTERS[c]);
})();
