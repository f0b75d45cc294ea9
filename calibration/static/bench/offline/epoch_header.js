/** In answers: which server it is. In requests: which one the tablet knows; another refuses its records. */
export const EPOCH_HEADER = "Levelbook-Epoch";
