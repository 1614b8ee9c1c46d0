// After a key that was none.
const wrong = document.getElementById("wrong");
if (wrong) wrong.hidden = !location.search.includes("wrong");
