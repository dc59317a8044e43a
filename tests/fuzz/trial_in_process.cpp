// The trial of audio/trial.hpp without a process: a hundred times as many inputs a second. What the
// library has taken when it does not come back is lost, which a fuzz target can afford.
#include <sanitizer/lsan_interface.h>
#include <sys/time.h>

#include <csetjmp>
#include <csignal>

#include "audio/trial.hpp"

namespace pipebeat::audio {

namespace {

sigjmp_buf before;

void give_up(int) { siglongjmp(before, 1); }

void set_timer(int milliseconds) {
  itimerval timer{};
  timer.it_value.tv_usec = suseconds_t{1000} * milliseconds;
  ::setitimer(ITIMER_VIRTUAL, &timer, nullptr);
}

}  // namespace

bool comes_back(const std::function<SNDFILE*()>& open) {
  constexpr int patience_ms = 100;
  ::signal(SIGVTALRM, give_up);
  const __lsan::ScopedDisabler lost_on_purpose;
  if (sigsetjmp(before, 1) != 0) return false;
  set_timer(patience_ms);
  SNDFILE* const file = open();
  set_timer(0);
  if (file != nullptr) sf_close(file);
  return true;
}

}  // namespace pipebeat::audio
