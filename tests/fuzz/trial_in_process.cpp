// The trial of audio/trial.hpp without a process: a hundred times as many inputs a second. What the
// library has taken when it does not come back is given back here, or a long run would end for want
// of memory.
#include <sanitizer/allocator_interface.h>
#include <sanitizer/lsan_interface.h>
#include <sys/time.h>

#include <algorithm>
#include <array>
#include <csetjmp>
#include <csignal>
#include <cstddef>
#include <cstdlib>

#include "audio/trial.hpp"

namespace pipebeat::audio {

namespace {

/// What was taken and not yet given back since the trial began. Of fixed size, as nothing may be
/// taken while it is noted; more than fits is lost.
class Taken {
 public:
  void add(const volatile void* block) {
    if (count_ < blocks_.size()) blocks_[count_++] = const_cast<void*>(block);
  }
  void remove(const volatile void* block) {
    const auto end = blocks_.begin() + static_cast<std::ptrdiff_t>(count_);
    const auto found = std::find(blocks_.begin(), end, block);
    if (found != end) *found = blocks_[--count_];
  }
  void begin() { count_ = 0; }
  void give_back() {
    while (count_ > 0) std::free(blocks_[count_ - 1]);  // takes itself off
  }

 private:
  std::array<void*, 4096> blocks_{};
  std::size_t count_ = 0;
};

Taken taken;
bool on_trial = false;
sigjmp_buf before;

void note_malloc(const volatile void* block, std::size_t) {
  if (on_trial) taken.add(block);
}
void note_free(const volatile void* block) { taken.remove(block); }

void give_up(int) { siglongjmp(before, 1); }

void set_timer(int milliseconds) {
  itimerval timer{};
  timer.it_value.tv_usec = suseconds_t{1000} * milliseconds;
  ::setitimer(ITIMER_VIRTUAL, &timer, nullptr);
}

}  // namespace

bool comes_back(const std::function<SNDFILE*()>& open) {
  constexpr int patience_ms = 100;
  static const int installed = __sanitizer_install_malloc_and_free_hooks(note_malloc, note_free);
  static_cast<void>(installed);
  ::signal(SIGVTALRM, give_up);
  taken.begin();
  const __lsan::ScopedDisabler leaks_show_in_the_real_opening;
  if (sigsetjmp(before, 1) != 0) {
    on_trial = false;
    taken.give_back();
    return false;
  }
  on_trial = true;
  set_timer(patience_ms);
  SNDFILE* const file = open();
  set_timer(0);
  on_trial = false;
  if (file != nullptr) sf_close(file);
  return true;
}

}  // namespace pipebeat::audio
