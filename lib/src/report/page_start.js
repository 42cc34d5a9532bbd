// Before anything is painted: at night no page flashes white, not even while it is loaded anew.
try {
  if (localStorage.getItem('starwaist-view') === 'night') {
    document.documentElement.classList.add('night');
  }
} catch (refused) {
  // Without storage each page begins in the day view.
}
