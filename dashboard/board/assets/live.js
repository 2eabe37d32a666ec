// What is heard on the live page. A browser lets a page sound only after a tap, hence the button.
(function () {
  const TONES = { step: [660, 0.18], count: [440, 0.12], now: [990, 0.45], alarm: [330, 0.7] };
  const WORDS = { 3: "three", 2: "two", 1: "one" };
  let sound = null, heard = null;

  function beep(kind) {
    const tone = TONES[kind];
    if (!sound || !tone) return;
    const wave = sound.createOscillator(), loud = sound.createGain();
    wave.frequency.value = tone[0];
    loud.gain.setValueAtTime(0.4, sound.currentTime);
    loud.gain.linearRampToValueAtTime(0, sound.currentTime + tone[1]);
    wave.connect(loud).connect(sound.destination);
    wave.start();
    wave.stop(sound.currentTime + tone[1]);
  }

  function say(text) {
    if (!sound || !text || !window.speechSynthesis) return;
    const spoken = new SpeechSynthesisUtterance(text);
    spoken.lang = "en";
    window.speechSynthesis.cancel();
    window.speechSynthesis.speak(spoken);
  }

  function listen() {
    const cue = document.getElementById("live-cue");
    if (!cue) return;
    const number = cue.dataset.number;
    if (heard === null) heard = number;
    if (number === heard) return;
    heard = number;
    const kind = cue.dataset.kind;
    beep(kind);
    say(kind === "count" ? WORDS[cue.dataset.count] : kind === "now" ? "now" : "");
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("#live-sound");
    if (!button) return;
    if (sound) {
      sound.close();
      sound = null;
    } else {
      sound = new (window.AudioContext || window.webkitAudioContext)();
      beep("step");
    }
    button.textContent = sound ? "Sound off" : "Sound on";
    button.setAttribute("aria-pressed", sound ? "true" : "false");
  });

  new MutationObserver(listen).observe(document, {
    attributes: true, attributeFilter: ["data-number"], childList: true, subtree: true,
  });
})();
