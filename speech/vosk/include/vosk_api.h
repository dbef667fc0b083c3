/* The part of the Vosk library's interface that its Go binding uses. No package that carries the
   library carries a header; these declarations were written for Leadsman from the binding's calls. */
#ifndef LEADSMAN_VOSK_API_H
#define LEADSMAN_VOSK_API_H

typedef struct VoskModel VoskModel;
typedef struct VoskSpkModel VoskSpkModel;
typedef struct VoskRecognizer VoskRecognizer;

VoskModel *vosk_model_new(const char *path);
void vosk_model_free(VoskModel *model);
int vosk_model_find_word(VoskModel *model, const char *word);

VoskSpkModel *vosk_spk_model_new(const char *path);
void vosk_spk_model_free(VoskSpkModel *model);

VoskRecognizer *vosk_recognizer_new(VoskModel *model, float rate);
VoskRecognizer *vosk_recognizer_new_spk(VoskModel *model, float rate, VoskSpkModel *speaker);
VoskRecognizer *vosk_recognizer_new_grm(VoskModel *model, float rate, const char *phrases);
void vosk_recognizer_free(VoskRecognizer *recognizer);
void vosk_recognizer_reset(VoskRecognizer *recognizer);
void vosk_recognizer_set_grm(VoskRecognizer *recognizer, const char *phrases);
void vosk_recognizer_set_spk_model(VoskRecognizer *recognizer, VoskSpkModel *speaker);
void vosk_recognizer_set_max_alternatives(VoskRecognizer *recognizer, int count);
void vosk_recognizer_set_words(VoskRecognizer *recognizer, int on);
void vosk_recognizer_set_partial_words(VoskRecognizer *recognizer, int on);
int vosk_recognizer_accept_waveform(VoskRecognizer *recognizer, const char *samples, int bytes);
const char *vosk_recognizer_result(VoskRecognizer *recognizer);
const char *vosk_recognizer_partial_result(VoskRecognizer *recognizer);
const char *vosk_recognizer_final_result(VoskRecognizer *recognizer);

void vosk_set_log_level(int level);
void vosk_gpu_init(void);
void vosk_gpu_thread_init(void);

#endif
